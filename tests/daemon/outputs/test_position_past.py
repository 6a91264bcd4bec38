"""What concerns a position: what happened there, to its drive wherever it was, and to the whole machine."""

from typing import Any

import pytest

from laneproof.outputs.events_text import Happening
from laneproof.outputs.position_past import choose_happenings
from laneproof.outputs.trend import Subject

HERE = Subject(name="riser-1", path="0000:00/01.1", drive="FN-1")


@pytest.mark.parametrize(
    ("kind", "of", "concerns"),
    [
        ("controller_down", {"path": "0000:00/01.1"}, True),
        ("controller_down", {"path": "0000:00/01.2"}, False),
        ("media_error", {"path": "0000:00/01.2", "drive": "FN-1"}, True),
        ("finding_raised", {"position": "riser-1"}, True),
        ("finding_raised", {"position": "riser-2"}, False),
        ("finding_raised", {}, False),
        ("booted", {}, True),
        ("changed", {}, True),
        ("changed", {"path": "0000:00/01.2", "position": "riser-2"}, False),
    ],
)
def test_what_happened_elsewhere_is_left_out(kind: str, of: dict[str, Any], *, concerns: bool) -> None:
    happening = Happening(t=1.0, kind=kind, text="x", **of)
    assert bool(choose_happenings([happening], HERE)) == concerns


def test_a_position_without_a_drive_takes_nothing_that_has_none() -> None:
    assert choose_happenings([Happening(t=1.0, kind="note", text="x")], Subject(name="riser-1", path="")) == ()
