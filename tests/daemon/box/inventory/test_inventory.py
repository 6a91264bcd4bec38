"""Kept values are strict and frozen, and say a link as everywhere."""

import pytest
from pydantic import ValidationError

from laneproof.box.inventory.inventory import Inventory, KeptLink


@pytest.mark.parametrize(("lanes", "rate", "text"), [(2, 12.5e9, "12.5GT/s x2"), (None, None, "gen? x?")])
def test_link_is_written_with_what_is_known(lanes: int | None, rate: float | None, text: str) -> None:
    assert str(KeptLink(generation=None, lanes=lanes, transfers_per_second=rate)) == text


def test_unknown_key_is_an_error() -> None:
    with pytest.raises(ValidationError):
        Inventory.model_validate({"firmware": None, "places": [], "fans": 3})


def test_value_cannot_be_changed() -> None:
    link = KeptLink(generation=4, lanes=4, transfers_per_second=16e9)
    with pytest.raises(ValidationError):
        link.lanes = 2
