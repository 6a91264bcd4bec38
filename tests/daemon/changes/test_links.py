"""Ports and links: what a setting explains goes with it, what nothing explains stands alone, a split is one change."""

from typing import Any

import pytest

from boxes.compared_boxes import PATHS, compare_boxes, only_change
from boxes.snapshot_box import L0S, L1, Box
from laneproof.changes import Outcome, Topic

RETRAINED, SETTING = Outcome.RETRAINED, Outcome.SETTING


def riser(lanes: int = 4, **knobs: Any) -> Box:
    box = Box()
    for number, path in enumerate(PATHS):
        box.with_port(path, lanes=lanes, **knobs).with_drive(path, serial=f"S{number}")
    return box


def one_port(*, serial: str = "S0", **knobs: Any) -> Box:
    return Box().with_port(PATHS[0], **knobs).with_drive(PATHS[0], serial=serial)


def card(**knobs: Any) -> Box:
    box = Box().with_port("0000:00/02.1", **knobs).with_switch("0000:00/02.1")
    return box.with_port("0000:00/02.1/00.0/00.0").with_drive("0000:00/02.1/00.0/00.0", serial="S1")


def card_in_split() -> Box:
    """Make a slot split in two: a drive in the first branch, a drive on a switch card in the second."""
    box = Box().with_port(PATHS[0], lanes=8).with_drive(PATHS[0], serial="S0").with_port(PATHS[1], lanes=8)
    below = f"{PATHS[1]}/00.0/00.0"
    return box.with_switch(PATHS[1]).with_port(below).with_drive(below, serial="S1")


WHOLE = one_port(lanes=16)


@pytest.mark.parametrize(
    ("before", "after", "about", "subject", "summary", "details"),
    [
        (one_port(), one_port(trained=(4, 2)), Topic.LINK, "riser-1",
         "trained gen4 x2, before gen4 x4; both ends can do gen4 x4", []),
        (one_port(trained=(3, 4)), one_port(), Topic.LINK, "riser-1", "trained gen4 x4, before gen3 x4", []),
        (one_port(), one_port(target=3), Topic.SETTING, "riser-1",
         "target rate 8 GT/s (generation 3), before 16 GT/s (generation 4)",
         [("riser-1", "trained gen3 x4, before gen4 x4; both ends can do gen4 x4")]),
        (riser(), riser(aspm=L1), Topic.SETTING, "riser-1, riser-2, riser-3 and riser-4",
         "low-power link states (ASPM) at the port L1, before off", []),
        (riser(), WHOLE, Topic.SETTING, "slot at 0000:00/01",
         "ports x16, before x4 x4 x4 x4 (riser-1, riser-2, riser-3, riser-4)",
         [(f"riser-{n}", f"Fulmar N4, serial S{n - 1}, 4 TB is gone") for n in (2, 3, 4)]),
        (WHOLE, riser(), Topic.SETTING, "slot at 0000:00/01", "ports x4 x4 x4 x4, before x16 (riser-1)",
         [(f"riser-{n}", f"Fulmar N4, serial S{n - 1}, 4 TB is new here") for n in (2, 3, 4)]),
        (card_in_split(), WHOLE, Topic.SETTING, "slot at 0000:00/01", "ports x16, before x8 x8 (riser-1, riser-2)",
         [("0000:00/01.2/00.0/00.0", "Fulmar N4, serial S1, 4 TB is gone")]),
        # one that is pulled from a split slot is no matter of the split
        (riser(), riser().without(PATHS[2]), Topic.DRIVE, "riser-3", "Fulmar N4, serial S2, 4 TB is gone", []),
        (one_port(), one_port(serial="S9", trained=(3, 4)), Topic.DRIVE, "riser-1",
         "Fulmar N4, serial S9, 4 TB is here now, before Fulmar N4, serial S0, 4 TB",
         [("riser-1", "trained gen3 x4, before gen4 x4")]),
        # the uplink of a card, though nothing is in it
        (card(), card(trained=(4, 1)), Topic.LINK, "0000:00/02.1",
         "trained gen4 x1, before gen4 x4; both ends can do gen4 x4", []),
    ],
)  # fmt: skip
def test_one_change_with_what_went_with_it(
    before: Box, after: Box, about: Topic, subject: str, summary: str, details: list[tuple[str, str]]
) -> None:
    change = only_change(before, after)
    assert (change.about, change.subject, change.summary) == (about, subject, summary)
    assert [(detail.subject, detail.summary) for detail in change.details] == details


def test_target_rate_does_not_explain_fewer_lanes() -> None:
    comparison = compare_boxes(one_port(), one_port(target=3, trained=(3, 2)))
    assert [(change.what, change.details) for change in comparison.changes] == [(RETRAINED, ()), (SETTING, ())]


def test_port_that_can_do_less_explains_rate_and_lanes() -> None:
    changes = compare_boxes(one_port(), one_port(gen=3, lanes=2)).changes
    assert [change.summary for change in changes] == [
        "target rate 8 GT/s (generation 3), before 16 GT/s (generation 4)",
        "highest rate of the port 8 GT/s (generation 3), before 16 GT/s (generation 4)",
        "lanes of the port x2, before x4",
    ]
    assert [len(change.details) for change in changes] == [1, 0, 0]


def test_settings_that_differ_from_port_to_port_are_kept_apart() -> None:
    boxes = Box(), Box()
    for number, aspm in ((0, L1), (1, L0S)):
        for box, states in zip(boxes, (0, aspm), strict=True):
            box.with_port(PATHS[number], aspm=states).with_drive(PATHS[number], serial=f"S{number}")
    assert len(compare_boxes(*boxes).changes) == 2


def test_registers_that_one_snapshot_could_not_read_make_no_change() -> None:
    assert compare_boxes(riser(), riser().without_registers()).changes == ()
    assert compare_boxes(riser().without_registers(), riser()).changes == ()
