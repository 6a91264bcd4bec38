"""What an array can lose and has lost."""

import pytest

from boxes.snapshot_box import make_array, make_member
from laneproof.rules.arrays.redundancy import count_lost, count_spared
from laneproof_collectors.snapshot import Array
from laneproof_collectors.unread import Unread

UNREAD = Unread("/sys/block/md0/md/level", "permission denied")

DISKS = ("nvme0n1", "nvme1n1", "nvme2n1")


# Source of states: Documentation/admin-guide/md.rst; OpenZFS pool states; fs/btrfs/sysfs.c
@pytest.mark.parametrize(
    ("array", "lost"),
    [
        (make_array("md0", DISKS), 0),
        (make_array("md0", DISKS[:2], degraded=1), 1),
        (make_array("md0", DISKS, members=(make_member("a"), make_member("b", "faulty"))), 1),
        (make_array("md0", DISKS, members=(make_member("a"), make_member("b", "write_error,in_sync"))), 0),
        (make_array("md0", DISKS, state="inactive"), 1),
        # a container of firmware RAID (mdadm(8)): never running, its members spares of no slot
        (make_array("md127", DISKS, level="container", state="inactive", members=(make_member("a", "spare"),)), 0),
        (make_array("md0", DISKS, level="raid0", degraded=None, sync_action=None), 0),
        (make_array("md0", DISKS, degraded=UNREAD), UNREAD),
        (make_array("md0", DISKS, members=(make_member("a", UNREAD),)), UNREAD),
        (make_array("tank", DISKS, kind="zfs", state="ONLINE", degraded=None), 0),
        (make_array("tank", DISKS, kind="zfs", state="DEGRADED", degraded=None), 1),
        (make_array("tank", DISKS, kind="zfs", state="SUSPENDED", degraded=None), 1),
        (make_array("tank", DISKS, kind="zfs", state=UNREAD, degraded=None), UNREAD),
        (make_array("sea", DISKS, kind="btrfs", degraded=None, members=(make_member("a", "missing"),)), 1),
    ],
)
def test_members_that_an_array_runs_without(array: Array, lost: int | Unread) -> None:
    assert count_lost(array) == lost


@pytest.mark.parametrize(
    ("level", "wanted", "spared"),
    [
        ("raid0", 2, 0),
        ("raid1", 2, 1),
        ("raid1", 3, 2),
        ("raid5", 4, 1),
        ("raid6", 6, 2),
        ("raid10", 4, 1),
        ("strange", 4, None),
    ],
)
def test_losses_that_a_level_survives_at_least(level: str, wanted: int, spared: int | None) -> None:
    assert count_spared(make_array("md0", DISKS, level=level, members_wanted=wanted)) == spared
