"""Members named as a person finds them."""

import pytest

from boxes.snapshot_box import RISER_1, declare, declare_risers, kelp_box, make_array, make_member
from laneproof.box.placement import arrange
from laneproof.rules.arrays.member_positions import Losses, find_losses, locate_disks, name_members

ARRANGEMENT = arrange(declare(RISER_1), kelp_box(2).snapshot())


def test_disk_is_named_by_its_label_else_by_its_path() -> None:
    assert locate_disks(ARRANGEMENT) == {"nvme0n1": "riser-1", "nvme1n1": "nvme1n1 at 0000:00/01.2"}


def test_two_partitions_of_one_disk_are_one_position() -> None:
    members = (make_member("nvme0n1p1", disk="nvme0n1"), make_member("nvme0n1p2", disk="nvme0n1"))
    assert name_members(ARRANGEMENT, members) == ["riser-1"]


def test_what_has_no_known_position_goes_by_its_own_name() -> None:
    assert name_members(ARRANGEMENT, (make_member("devid 2", disk=""), make_member("sdx1", disk="sdx"))) == [
        "devid 2",
        "sdx",
    ]


# --- losses -----------------------------------------------------------------------------------------------------------

FOUR = declare(declare_risers(4) + '[[array]]\nname = "md0"\nmembers = ["riser-1", "riser-2", "riser-3", "riser-4"]\n')
DISKS = ("nvme0n1", "nvme1n1", "nvme2n1", "nvme3n1")


def losses(states: tuple[str, ...], *, without: int | None = None, lost: int = 1, wanted: int = 4) -> Losses:
    """Give the losses of an array whose members have these states; the drive of one position may be gone."""
    box = kelp_box(4)
    if without is not None:
        box = box.without(f"0000:00/01.{without}")
    members = tuple(make_member(disk, state) for disk, state in zip(DISKS, states, strict=False) if state)
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
    members = make_member("nvme0n1", "present"), make_member("devid 2", "missing", disk="")
    array = make_array("reef", (), kind="btrfs", level="raid1", degraded=1, members=members, members_wanted=2)
    assert find_losses(ARRANGEMENT, array, 1) == (1, ["devid 2"], ["riser-1"])
