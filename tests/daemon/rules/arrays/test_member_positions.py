"""Members named as a person finds them."""

import pytest

from boxes.snapshot_box import declare, kelp_box, make_array
from laneproof.box.placement import arrange
from laneproof.rules.arrays.member_positions import Losses, find_losses, is_lost, locate_disks, name_members
from laneproof_collectors.snapshot import ArrayMember
from laneproof_collectors.unread import Unread

BUILD = declare('[[position]]\nlabel = "riser-1"\npath = "0000:00/01.1"\n')
ARRANGEMENT = arrange(BUILD, kelp_box(2).snapshot())


def member(name: str, disk: str) -> ArrayMember:
    return ArrayMember(name=name, disk=disk, state="in_sync", slot=0, errors=0)


def test_disk_is_named_by_its_label_else_by_its_path() -> None:
    assert locate_disks(ARRANGEMENT) == {"nvme0n1": "riser-1", "nvme1n1": "nvme1n1 at 0000:00/01.2"}


def test_two_partitions_of_one_disk_are_one_position() -> None:
    members = (member("nvme0n1p1", "nvme0n1"), member("nvme0n1p2", "nvme0n1"))
    assert name_members(ARRANGEMENT, members) == ["riser-1"]


def test_what_has_no_known_position_goes_by_its_own_name() -> None:
    assert name_members(ARRANGEMENT, (member("devid 2", ""), member("sdx1", "sdx"))) == ["devid 2", "sdx"]


# --- losses -----------------------------------------------------------------------------------------------------------

POSITIONS = "".join(f'[[position]]\nlabel = "riser-{n}"\npath = "0000:00/01.{n}"\n' for n in range(1, 5))
FOUR = declare(POSITIONS + '[[array]]\nname = "md0"\nmembers = ["riser-1", "riser-2", "riser-3", "riser-4"]\n')
DISKS = ("nvme0n1", "nvme1n1", "nvme2n1", "nvme3n1")


def losses(states: tuple[str, ...], *, without: int | None = None, lost: int = 1, wanted: int = 4) -> Losses:
    """Give the losses of an array whose members have these states; the drive of one position may be gone."""
    box = kelp_box(4)
    if without is not None:
        box = box.without(f"0000:00/01.{without}")
    members = tuple(
        ArrayMember(name=disk, disk=disk, state=state, slot=None, errors=0)
        for disk, state in zip(DISKS, states, strict=False)
        if state
    )
    array = make_array("md0", DISKS, degraded=lost, members=members, members_wanted=wanted)
    return find_losses(arrange(FOUR, box.snapshot()), array, lost)


IN, BAD = "in_sync", "faulty"


@pytest.mark.parametrize(
    ("states", "facts", "number", "out", "keep"),
    [
        pytest.param((IN, IN, BAD, IN), {}, 1, [3], [1, 2, 4], id="failed"),
        pytest.param((IN, IN, "", IN), {}, 1, [3], [1, 2, 4], id="taken out of the array, known by its position"),
        pytest.param((IN, IN, BAD, BAD), {"without": 4, "lost": 2}, 2, [3, 4], [1, 2], id="gone, not by its old name"),
        # the kernel marks a member whose drive was pulled when it is next asked for something
        pytest.param((IN, IN, BAD, IN), {"without": 4}, 2, [3, 4], [1, 2], id="a second loss not yet noticed"),
        pytest.param((IN, IN, BAD, ""), {"without": 4, "wanted": 3}, 1, [3, 4], [1, 2], id="more are declared"),
        pytest.param((IN, IN, "", ""), {"wanted": 3}, 1, [3], [1, 2], id="no further than the count goes"),
    ],
)
def test_what_is_lost_and_what_carries_the_array(
    states: tuple[str, ...], facts: dict[str, int], number: int, out: list[int], keep: list[int]
) -> None:
    out_of_it, carrying = ([f"riser-{branch}" for branch in branches] for branches in (out, keep))
    assert losses(states, **facts) == (number, out_of_it, carrying)


def test_btrfs_device_that_is_missing_has_only_its_number() -> None:
    gone = ArrayMember(name="devid 2", disk="", state="missing", slot=2, errors=None)
    here = ArrayMember(name="nvme0n1", disk="nvme0n1", state="present", slot=None, errors=None)
    array = make_array("reef", (), kind="btrfs", level="raid1", degraded=1, members=(here, gone), members_wanted=2)
    assert find_losses(ARRANGEMENT, array, 1) == (1, ["devid 2"], ["riser-1"])


@pytest.mark.parametrize(
    ("state", "lost"),
    [("in_sync", False), ("faulty", True), ("missing", True), ("write_error,in_sync", False), ("spare", False)],
)
def test_state_of_a_member(state: str, *, lost: bool) -> None:
    assert is_lost(member("a", "a")) is False
    found = ArrayMember(name="a", disk="a", state=state, slot=0, errors=0)
    assert is_lost(found) == lost
    assert not is_lost(ArrayMember(name="a", disk="a", state=Unread("state", "x"), slot=0, errors=0))
