"""Which watched drives carry the folder of the evidence."""

from dataclasses import replace
from typing import Any

import pytest

from boxes.snapshot_box import declare, kelp_box, make_array
from laneproof.service.evidence_folder import find_carrying_drives, find_unwatched_mounts
from laneproof_collectors.snapshot import MountedFileSystem, Snapshot
from laneproof_collectors.unread import Unread

BUILD = declare('[[position]]\nlabel = "riser-1"\npath = "0000:00/01.1"')


def _mounted(mount: str, device: str) -> MountedFileSystem:
    return MountedFileSystem(
        mount=mount,
        device=device,
        kind="ext4",
        size_bytes=10,
        available_bytes=5,
        read_only=False,
        declared_read_only=None,
    )


def _facts(*mounts: tuple[str, str]) -> Snapshot:
    box = kelp_box(3).with_group(arrays=(make_array("md0", ("nvme1n1", "nvme2n1")),))
    return replace(box.snapshot(), file_systems=tuple(_mounted(*mount) for mount in mounts))


@pytest.mark.parametrize(
    ("folder", "carriers"),
    [
        ("/var/lib/laneproof/evidence", ("riser-1",)),
        ("/srv/archive/evidence", ("0000:00/01.2", "0000:00/01.3")),
        ("/srv/archive", ("0000:00/01.2", "0000:00/01.3")),
        ("/srv/archive-2", ("riser-1",)),
        ("/mnt/stick/laneproof", ()),
        ("/mnt/nas", ()),
    ],
)
def test_the_nearest_mount_tells(folder: str, carriers: tuple[str, ...]) -> None:
    facts = _facts(
        ("/", "/dev/nvme0n1p2"),
        ("/srv/archive", "/dev/md0"),
        ("/mnt/stick", "/dev/sdz1"),
        ("/mnt/nas", "tern-2:/export"),
    )
    assert find_carrying_drives(folder, BUILD, facts) == carriers


def test_without_a_declaration_the_path_tells() -> None:
    assert find_carrying_drives("/var", None, _facts(("/", "/dev/nvme0n1p2"))) == ("0000:00/01.1",)


def test_nothing_is_said_where_it_is_not_known() -> None:
    facts = _facts()
    assert find_carrying_drives("/var", BUILD, facts) == ()
    assert find_carrying_drives("/var", BUILD, replace(facts, file_systems=Unread("file systems", "denied"))) == ()


@pytest.mark.parametrize(
    ("changes", "found"),
    [
        ({}, ("/mnt/card",)),
        ({"device": "/dev/sda1"}, ("/mnt/card",)),
        ({"device": "/dev/nvme1n1p1"}, ()),  # undeclared, but of the kind that is watched
        ({"device": "/dev/nvme0n1p1"}, ()),
        ({"device": "/dev/sdz1"}, ()),  # on what it lies is not known
        ({"read_only": True}, ()),
        ({"read_only": Unread("its options", "denied")}, ()),
        ({"available_bytes": (64 << 20) - 1}, ()),
        ({"mount": "/boot"}, ()),
        ({"mount": "/run/card"}, ()),
    ],
)
def test_evidence_may_go_where_no_declared_drive_is(changes: dict[str, object], found: tuple[str, ...]) -> None:
    facts: dict[str, Any] = {"available_bytes": 64 << 20} | changes
    card = replace(_mounted("/mnt/card", "/dev/mmcblk0p1"), **facts)
    box = kelp_box(2).with_sata_drive("0000:00/17.0/ata-1")
    assert find_unwatched_mounts(BUILD, replace(box.snapshot(), file_systems=(card,))) == found
