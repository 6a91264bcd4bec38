"""Kept values are strict and frozen, and say a link as everywhere."""

import pytest
from pydantic import ValidationError

from laneproof.box.inventory.inventory import Inventory, KeptLink


@pytest.mark.parametrize(
    ("generation", "lanes", "rate", "text"),
    [
        (4, 4, 16e9, "gen4 x4"),
        (None, None, None, "gen? x?"),
        (None, 2, 12.5e9, "12.5GT/s x2"),
        (3, None, 8e9, "gen3 x?"),
    ],
)
def test_link_is_written_with_what_is_known(
    generation: int | None, lanes: int | None, rate: float | None, text: str
) -> None:
    assert str(KeptLink(generation=generation, lanes=lanes, transfers_per_second=rate)) == text


def test_unknown_key_is_an_error() -> None:
    with pytest.raises(ValidationError):
        Inventory.model_validate({"firmware": None, "places": [], "fans": 3})


def test_value_cannot_be_changed() -> None:
    link = KeptLink(generation=4, lanes=4, transfers_per_second=16e9)
    with pytest.raises(ValidationError):
        link.lanes = 2
