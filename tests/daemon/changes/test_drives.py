"""Drives are known by who they are, not by where they are or what the kernel calls them."""

from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from boxes.compared_boxes import PATHS, compare_boxes, only_change
from boxes.snapshot_box import SATA, Box, kelp_box
from laneproof.changes import Comparison, Outcome, Topic
from laneproof_collectors.unread import Reason, Unread

A, B, C, _ = PATHS
DENIED = Unread("serial of nvme0", "denied", Reason.DENIED)


def ports() -> Box:
    return Box().with_port(A).with_port(B).with_port(C)


def list_changes(comparison: Comparison) -> list[tuple[str, str]]:
    return [(str(change.what), change.subject) for change in comparison.changes]


S1: dict[str, Any] = {"serial": "S1"}
NAMELESS: dict[str, Any] = {"controller": {"serial": DENIED}}


@pytest.mark.parametrize(
    ("before", "after", "what", "subject", "summary"),
    [
        ({}, {B: S1}, Outcome.APPEARED, "riser-2", "Fulmar N4, serial S1, 4 TB is new here"),
        ({A: S1}, {}, Outcome.WENT, "riser-1", "Fulmar N4, serial S1, 4 TB is gone"),
        ({A: NAMELESS}, {}, Outcome.WENT, "riser-1", "Fulmar N4, 4 TB is gone"),
        ({A: S1}, {C: S1}, Outcome.MOVED, "riser-3", "Fulmar N4, serial S1, 4 TB is here now, before in riser-1"),
        (
            {A: S1}, {A: {"serial": "S9", "capacity": "8 TB"}}, Outcome.REPLACED, "riser-1",
            "Fulmar N4, serial S9, 8 TB is here now, before Fulmar N4, serial S1, 4 TB",
        ),
        (
            {A: NAMELESS}, {A: NAMELESS | {"model": "Gannet 9"}}, Outcome.REPLACED, "riser-1",
            "Gannet 9, 4 TB is here now, before Fulmar N4, 4 TB",
        ),
        (
            {A: S1}, {A: S1 | {"firmware": "2.2"}}, Outcome.REFLASHED, "riser-1",
            "Fulmar N4 runs drive firmware 2.2, before 2.1",
        ),
        (
            {A: S1}, {A: S1 | {"capacity": "2 TB"}}, Outcome.CHANGED, "riser-1",
            "Fulmar N4, serial S1, 2 TB shows 2 TB, before 4 TB",
        ),
    ],
)  # fmt: skip
def test_a_drive_that_changed_is_one_change(
    before: dict[str, dict[str, Any]], after: dict[str, dict[str, Any]], what: Outcome, subject: str, summary: str
) -> None:
    def make(drives: dict[str, dict[str, Any]]) -> Box:
        box = ports()
        for path, facts in drives.items():
            box.with_drive(path, **facts)
        return box

    change = only_change(make(before), make(after))
    assert (change.what, change.about, change.subject, change.summary) == (what, Topic.DRIVE, subject, summary)
    assert change.path == next(iter(after or before))


def test_two_drives_that_changed_positions_are_two_moves_and_nothing_else() -> None:
    before = ports().with_drive(A, serial="S1").with_drive(B, serial="S2")
    after = ports().with_drive(A, serial="S2").with_drive(B, serial="S1")
    assert sorted(list_changes(compare_boxes(before, after))) == [("moved", "riser-1"), ("moved", "riser-2")]


def test_link_of_a_moved_drive_goes_with_the_move() -> None:
    before = ports().with_drive(A, serial="S1")
    after = Box().with_port(A).with_port(C, gen=3).with_drive(C, serial="S1")
    move = next(change for change in compare_boxes(before, after).changes if change.what is Outcome.MOVED)
    assert [(change.what, change.before, change.after) for change in move.details] == [
        (Outcome.RETRAINED, "gen4 x4", "gen3 x4")
    ]


def test_many_drives_reflashed_alike_are_one_change_with_its_list() -> None:
    before, after = ports(), ports()
    for path in (A, B, C):
        before.with_drive(path, serial=path)
        after.with_drive(path, serial=path, firmware="2.2")
    change = only_change(before, after)
    assert change.subject == "3 drives"
    assert [detail.subject for detail in change.details] == ["riser-1", "riser-2", "riser-3"]


def test_new_names_of_the_kernel_are_no_change_but_worth_knowing() -> None:
    before = ports().with_drive(A, serial="S1").with_drive(B, serial="S2")
    after = ports().with_drive(B, serial="S2").with_drive(A, serial="S1")
    comparison = compare_boxes(before, after)
    assert comparison.changes == ()
    assert comparison.notes == (
        "the kernel gave out names again: riser-1 was nvme0, is nvme1, riser-2 was nvme1, is nvme0",
    )


@pytest.mark.parametrize(
    ("before", "after", "side", "verdict"),
    [
        (S1, S1 | NAMELESS, "later", "unverified"),
        (S1 | NAMELESS, S1, "earlier", "unverified"),
        (NAMELESS, NAMELESS, "earlier", "same"),
    ],
)
def test_drive_that_does_not_give_its_serial_is_taken_for_the_one_before(
    before: dict[str, Any], after: dict[str, Any], side: str, verdict: str
) -> None:
    comparison = compare_boxes(ports().with_drive(A, **before), ports().with_drive(A, **after))
    assert comparison.changes == ()
    why = f"it reported no serial number in the {side} snapshot, so it is taken for the same drive"
    assert [(gap.part, gap.why) for gap in comparison.gaps] == [("who the drive in riser-1 is", why)]
    assert comparison.verdict == verdict


def test_two_drives_with_one_serial_in_their_positions_are_no_change() -> None:
    box = ports().with_drive(A, serial="SAME").with_drive(B, serial="SAME")
    assert compare_boxes(box, box).changes == ()
    assert compare_boxes(box, box).verdict == "same"


def test_drive_that_the_kernel_lists_but_that_is_gone_from_the_bus_went() -> None:
    after = ports().with_drive(A, serial="S1").edit(f"{A}/00.0", lambda function: replace(function, answers=False))
    change = only_change(ports().with_drive(A, serial="S1"), after)
    assert change.what is Outcome.WENT
    assert change.summary.endswith("is gone (the kernel still lists it, but it does not answer)")


def test_drives_on_controllers_are_not_gone_where_they_could_not_be_read() -> None:
    box = Box().with_device("0000:00/17.0", class_code=SATA).with_sata_drive("0000:00/17.0/ata-3")
    unread = Box().with_device("0000:00/17.0", class_code=SATA).with_group(drives=Unread("smartctl", "missing"))
    comparison = compare_boxes(box, unread)
    assert comparison.changes == ()
    assert ("drives.other", True) in [(gap.part, gap.one_sided) for gap in comparison.gaps]


def test_tree_that_could_not_be_read_makes_no_drive_go() -> None:
    comparison = compare_boxes(kelp_box(3), Box().with_group(functions=DENIED))
    assert comparison.changes == ()
    assert comparison.verdict == "unverified"


@pytest.mark.parametrize(
    ("before", "after", "expect"),
    [
        ({}, {"03.0": 0x1533}, [("appeared", "0000:00/03.0")]),
        ({"03.0": 0x1533}, {}, [("went", "0000:00/03.0")]),
        ({"03.0": 0x1533}, {"04.0": 0x1533}, [("moved", "0000:00/04.0")]),
        ({"03.0": 0x1533}, {"03.0": 0x10FB}, [("replaced", "0000:00/03.0")]),
        ({"03.0": 0x1533}, {"03.0": 0x1533}, []),
    ],
)
def test_other_devices_go_by_their_ids(
    before: dict[str, int], after: dict[str, int], expect: list[tuple[str, str]]
) -> None:
    def make(devices: dict[str, int]) -> Box:
        box = Box()
        for hop, device in devices.items():
            box.with_device(f"0000:00/{hop}").edit(
                f"0000:00/{hop}", lambda function, ids=device: replace(function, device_id=ids)
            )
        return box

    assert list_changes(compare_boxes(make(before), make(after))) == expect


POSITIONS = st.dictionaries(
    st.sampled_from([f"0000:00/01.{n}" for n in range(1, 7)]),
    st.sampled_from([f"S{n}" for n in range(1, 9)]),
    max_size=6,
).filter(lambda some: len(set(some.values())) == len(some))


def fill(positions: dict[str, str]) -> Box:
    box = Box()
    for number in range(1, 7):
        box.with_port(f"0000:00/01.{number}")
    for path, serial in positions.items():
        box.with_drive(path, serial=serial)
    return box


@given(POSITIONS, POSITIONS)
def test_every_drive_that_is_elsewhere_is_reported_once_and_the_others_never(
    before: dict[str, str], after: dict[str, str]
) -> None:
    """The second witness is plain set arithmetic over serial numbers and paths."""
    changes = compare_boxes(fill(before), fill(after)).changes
    home, now = ({serial: path for path, serial in some.items()} for some in (before, after))
    moved = {change.path for change in changes if change.what is Outcome.MOVED}
    assert moved == {now[serial] for serial in home.keys() & now.keys() if home[serial] != now[serial]}
    gone, came = home.keys() - now.keys(), now.keys() - home.keys()
    replaced = {home[serial] for serial in gone} & {now[serial] for serial in came}
    assert {change.path for change in changes if change.what is Outcome.REPLACED} == replaced
    assert {change.path for change in changes if change.what is Outcome.WENT} == {
        home[serial] for serial in gone
    } - replaced
    assert {change.path for change in changes if change.what is Outcome.APPEARED} == {
        now[serial] for serial in came
    } - replaced


@given(POSITIONS, st.data())
def test_compared_backwards_what_came_went(positions: dict[str, str], data: Any) -> None:  # noqa: ANN401 (hypothesis's own)
    other = data.draw(POSITIONS)
    mirror = {Outcome.APPEARED: Outcome.WENT, Outcome.WENT: Outcome.APPEARED}
    forth, back = compare_boxes(fill(positions), fill(other)), compare_boxes(fill(other), fill(positions))
    mirrored = sorted(str(mirror.get(change.what, change.what)) for change in forth.changes)
    assert mirrored == sorted(str(change.what) for change in back.changes)
