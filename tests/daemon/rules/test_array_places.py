"""Members named as a person finds them."""

from laneproof.rules.array_places import locate_disks, name_members
from laneproof.rules.placement import arrange
from laneproof_collectors.snapshot import ArrayMember
from simulated_box import declare, kelp_box

BUILD = declare('[[position]]\nlabel = "riser-1"\npath = "0000:00/01.1"\n')
ARRANGEMENT = arrange(BUILD, kelp_box(2).snapshot())


def member(name: str, disk: str) -> ArrayMember:
    return ArrayMember(name=name, disk=disk, state="in_sync", slot=0, errors=0)


def test_disk_is_named_by_its_label_else_by_its_path() -> None:
    assert locate_disks(ARRANGEMENT) == {"nvme0n1": "riser-1", "nvme1n1": "nvme1n1 at 0000:00/01.2"}


def test_two_partitions_of_one_disk_are_one_place() -> None:
    members = (member("nvme0n1p1", "nvme0n1"), member("nvme0n1p2", "nvme0n1"))
    assert name_members(ARRANGEMENT, members) == ["riser-1"]


def test_what_has_no_known_place_goes_by_its_own_name() -> None:
    assert name_members(ARRANGEMENT, (member("devid 2", ""), member("sdx1", "sdx"))) == ["devid 2", "sdx"]
