"""Arrays, memory and network between two snapshots."""

from dataclasses import replace
from typing import Any

import pytest

from boxes.compared_boxes import compare_boxes
from boxes.snapshot_box import Box, kelp_box, make_bond, make_memory
from laneproof.changes import Outcome, Topic
from laneproof_collectors.snapshot import ArrayMember
from laneproof_collectors.unread import Unread

GAP = Unread("a file", "gone")
DISKS = ("nvme0n1", "nvme1n1", "nvme2n1")


def array(**facts: Any) -> Box:
    return kelp_box(3).with_array("md0", DISKS, **facts)


def members(*states: str) -> tuple[ArrayMember, ...]:
    return tuple(
        ArrayMember(name=disk, disk=disk, state=state, slot=slot, errors=0)
        for slot, (disk, state) in enumerate(zip(DISKS, states, strict=True))
    )


def memory(*sizes: str, **facts: Any) -> Box:
    return kelp_box(1).with_memory(*sizes, **facts)


def untabled(total: int) -> Box:
    """Make a box whose memory is known by its total alone."""
    return kelp_box(1).with_group(memory=replace(make_memory(), modules=Unread("DMI", "denied"), total_bytes=total))


def network(**facts: Any) -> Box:
    name = str(facts.pop("name", "enp3s0"))
    return Box().with_port("0000:00/03.0").with_network("0000:00/03.0", name, **facts)


def bond(*interfaces: str, **facts: Any) -> Box:
    return kelp_box(1).with_group(bonds=(make_bond("bond0", interfaces, **facts),))


LOST_ONE = array(degraded=1, members=members("in_sync", "faulty", "in_sync"))
TWO, ONE = memory("32 GiB", "32 GiB"), memory("32 GiB")


@pytest.mark.parametrize(
    ("before", "after", "says"),
    [
        (kelp_box(3), array(), ["md0: md array, raid5, 3 members is new"]),
        (array(), kelp_box(3), ["md0: md array, raid5, 3 members is gone"]),
        (array(), array(level="raid0"), ["md0: level raid0, before raid5"]),
        (array(), array(size_bytes=12_000_000_000_000), ["md0: holds 12 TB, before 8 TB"]),
        (array(), array(degraded=1), ["md0: 1 missing, before whole"]),
        *((array(), array(**{fact: GAP}), []) for fact in ("degraded", "size_bytes", "level")),
        *((array(**{fact: GAP}), array(), []) for fact in ("degraded", "size_bytes", "level")),
        (array(), LOST_ONE, ["md0: 1 missing, before whole", "md0: 0000:00/01.2 (serial FN0002) left"]),
        (LOST_ONE, array(), ["md0: whole, before 1 missing", "md0: 0000:00/01.2 (serial FN0002) joined"]),
        (array(state="clean"), array(state="active", sync_action="check", sync_completed=0.4), []),
        (TWO, ONE, ["DIMM 2: a module of 32 GiB (SK32) is gone"]),
        (ONE, TWO, ["DIMM 2: a module of 32 GiB (SK32) is new here"]),
        (
            TWO, memory("32 GiB", "16 GiB"),
            ["DIMM 2: a module of 16 GiB (SK32) is here now, before a module of 32 GiB (SK32)"],
        ),
        (
            ONE, memory("32 GiB", part="SK33"),
            ["DIMM 1: a module of 32 GiB (SK33) is here now, before a module of 32 GiB (SK32)"],
        ),
        (ONE, memory("32 GiB", size_bytes=None), []),  # what is not known is no change
        (ONE, memory("32 GiB", part=""), []),
        (TWO, memory("32 GiB", "32 GiB", configured_mt_s=None), []),
        (untabled(64 << 30), untabled((64 << 30) - 4096), []),  # to one percent
        (untabled(64 << 30), untabled(32 << 30), ["memory: 32 GiB, before 64 GiB"]),
        (network(), network(speed=1000), ["enp3s0: 1000 Mbit/s, before 10000 Mbit/s"]),
        (network(), network(speed=None), []),  # one that is down has no speed
        (network(), network(name="eth0"), ["interface at 0000:00/03.0/00.0: is called eth0 now, before enp3s0"]),
        (bond("a", "b"), bond("a"), ["bond0: bond in mode 802.3ad of a, before bond in mode 802.3ad of a, b"]),
        (bond("a", "b"), bond("a", "b"), []),
        (kelp_box(1), bond("a"), ["bond0: bond in mode 802.3ad of a is new"]),
        (bond(), kelp_box(1), ["bond0: bond in mode 802.3ad of no interface is gone"]),
    ],
)  # fmt: skip
def test_what_became_of_arrays_memory_and_network(before: Box, after: Box, says: list[str]) -> None:
    changes = compare_boxes(before, after, None).changes
    assert [f"{change.subject}: {change.summary}" for change in changes] == says


def test_members_under_new_names_are_the_same() -> None:
    def box(order: tuple[int, ...]) -> Box:
        made = Box()
        for number in (1, 2, 3):
            made.with_port(f"0000:00/01.{number}")
        for number in order:
            made.with_drive(f"0000:00/01.{number}", serial=f"S{number}")
        names = {number: f"nvme{at}n1" for at, number in enumerate(order)}
        return made.with_array("md0", tuple(names[number] for number in (1, 2, 3)))

    assert compare_boxes(box((1, 2, 3)), box((3, 1, 2))).changes == ()


def test_memory_rate_is_one_change_for_all_modules() -> None:
    (change,) = compare_boxes(TWO, memory("32 GiB", "32 GiB", configured_mt_s=4800)).changes
    assert (change.what, change.about) == (Outcome.SETTING, Topic.MEMORY)
    assert change.summary == "runs at 4800 MT/s, before 5600 MT/s (DIMM 1, DIMM 2)"


@pytest.mark.parametrize("group", ["arrays", "memory", "interfaces", "bonds"])
def test_what_one_snapshot_could_not_read_did_not_change(group: str) -> None:
    whole, blind = (bond("a").with_array("md0", DISKS[:1]).with_memory("32 GiB") for _ in range(2))
    blind.with_group(**{group: Unread(group, "denied")})
    for boxes in ((whole, blind), (blind, whole)):
        comparison = compare_boxes(*boxes, None)
        assert (comparison.changes, comparison.verdict) == ((), "unverified")
