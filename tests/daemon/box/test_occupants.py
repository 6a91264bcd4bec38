"""What is in a position, whatever its kind."""

from dataclasses import replace
from typing import Any

import pytest

from boxes.snapshot_box import Box, kelp_box, make_sata_drive, one_drive
from laneproof.box.occupants import describe_drive, is_about, kind_of
from laneproof.box.placement import arrange
from laneproof.box.topology import topology_of
from laneproof.findings import Finding, Kind, Severity
from laneproof_collectors.snapshot import NvmeNamespace
from laneproof_collectors.unread import Unread


# Source: include/linux/pci_ids.h, PCI_CLASS_STORAGE_EXPRESS, _SATA, _SAS, PCI_BASE_CLASS_NETWORK, _DISPLAY, _BRIDGE
@pytest.mark.parametrize(
    ("class_code", "kind"),
    [
        (0x010802, "nvme"),
        (0x010601, "sata"),
        (0x010700, "sata"),
        (0x020000, "network"),
        (0x028000, "network"),
        (0x030000, "other"),
        (0x060400, "other"),
        (0x010000, "other"),
    ],
)
def test_kind_follows_the_class_code(class_code: int, kind: str) -> None:
    assert kind_of(class_code) == kind


def test_sata_drive_gives_its_own_identity() -> None:
    found = describe_drive(make_sata_drive("sda", "0000:00/17.0/ata-1"), "0000:00/17.0/ata-1")
    assert (found.model, found.serial, found.capacity_bytes) == ("Gannet S8", "GSsda", 8_001_563_222_016)
    assert found.disks == ("sda",)
    assert found.address is None


def test_drive_that_gives_no_capacity_is_unread_in_it() -> None:
    gap = Unread("identify of nvme0", "permission denied")
    (found,) = topology_of(one_drive(controller={"identity": gap, "namespaces": ()}).snapshot()).drive_occupants()
    assert (found.capacity_bytes, found.serial) == (gap, "FN1")


def test_what_hangs_on_usb_or_can_be_unplugged_is_external() -> None:
    usb, sata = (make_sata_drive("sda", "0000:00/17.0/ata-1", interface=interface) for interface in ("usb", "sata"))
    assert describe_drive(usb, usb.path or "").external
    assert not describe_drive(sata, sata.path or "").external
    box = one_drive()
    for removable in (True, False):
        box.edit("0000:00/01.1/00.0", lambda function, removable=removable: replace(function, removable=removable))
        (found,) = topology_of(box.snapshot()).drive_occupants()
        assert found.external is removable


def test_sleeping_device_is_reported_as_asleep() -> None:
    (found,) = topology_of(one_drive(asleep=True).snapshot()).drive_occupants()
    assert found.asleep


def test_drive_whose_disk_is_not_there_yet_is_unread_in_its_capacity() -> None:
    namespace = NvmeNamespace(name="nvme0n1", number=1, size_bytes=0)
    box = one_drive(controller={"namespaces": (namespace,), "identity": Unread("identify of nvme0", "denied")})
    (found,) = topology_of(box.snapshot()).drive_occupants()
    assert isinstance(found.capacity_bytes, Unread)
    assert "shows 0 bytes" in found.capacity_bytes.why


def test_a_device_whose_kind_could_not_be_read_has_no_model_by_its_ids() -> None:
    gap = Unread("class of 0000:01:00.0", "permission denied")
    box = one_drive().with_group(controllers=gap)
    box.edit("0000:00/01.1/00.0", lambda one: replace(one, class_code=gap))
    found = topology_of(box.snapshot()).occupant_at("0000:00/01.1")
    assert found is not None
    assert (found.kind, found.model) == (gap, gap)


NAME = "eui.0025385b71b01121"
FIRST, SECOND = "0000:00/01.1", "0001:00/01.1"


def two_controllers(*ids: int, names: tuple[str, str] = (NAME, NAME), serials: tuple[str, str] = ("A", "A")) -> Box:
    box = Box()
    for number, (path, name, serial) in enumerate(zip((SECOND, FIRST), names, serials, strict=True)):
        space = NvmeNamespace(name="nvme0n1", number=1, size_bytes=4 * 10**12, wwid=name)
        facts = {"controller_id": ids[number], "namespaces": (space,)}
        box.with_port(path).with_drive(path, serial=serial, controller=facts)
    return box


def drive_paths(box: Box) -> list[tuple[str, tuple[str, ...]]]:
    return [(drive.path, drive.other_paths) for drive in topology_of(box.snapshot()).drive_occupants()]


def test_a_drive_with_two_ports_is_counted_once() -> None:
    assert drive_paths(two_controllers(66, 65)) == [(FIRST, (SECOND,))]


@pytest.mark.parametrize(
    "box",
    [
        two_controllers(1, 1),  # a controller number is unique in its drive (NVMe Base 2.0, CNTLID)
        two_controllers(1, 2, names=(NAME, "eui.0025385b71b01122")),
        two_controllers(1, 2, names=("", "")),
        two_controllers(1, 2, serials=("A", "B")),
        two_controllers(1, 2, serials=("", "")),
    ],
)
def test_drives_that_only_look_alike_stay_apart(box: Box) -> None:
    assert sorted(drive_paths(box)) == [(FIRST, ()), (SECOND, ())]


@pytest.mark.parametrize(
    ("interface", "wwid", "count"),
    [
        ("sas", "naa.5000c500a1b2c3d4", 1),  # SPC: an NAA name is one device's in the world
        ("sas", "t10.SEAL    0001", 2),
        ("sas", None, 2),
        ("usb", "naa.5000c500a1b2c3d4", 2),  # bridges make names up
    ],
)
def test_a_sas_drive_on_two_cables_is_one_by_its_world_wide_name(interface: str, wwid: str | None, count: int) -> None:
    box = Box()
    for name, phy in (("sda", 0), ("sdb", 4)):
        box.with_sata_drive(f"0000:00/01.1/00.0/phy-{phy}", name=name, interface=interface, wwid=wwid)
    assert len(drive_paths(box)) == count


@pytest.mark.parametrize(
    ("known_by", "expected"),
    [
        ({}, (False, False)),
        ({"position": "riser-1"}, (True, False)),
        ({"position": "riser-2", "key": "0000:00/01.1"}, (False, False)),
        ({"key": "0000:00/01.2"}, (False, True)),
        ({"subject": "nvme1"}, (False, True)),
        ({"key": "FN0002"}, (False, True)),
        ({"subject": "0000:02:00.0"}, (False, True)),
        ({"evidence": {"shared_by": ["riser-1", "riser-3"]}}, (True, False)),
    ],
)
def test_a_finding_is_about_a_position_by_label_by_path_by_its_device_or_with_others(
    known_by: dict[str, Any], expected: tuple[bool, bool]
) -> None:
    finding = Finding(rule="r", kind=Kind.SIGN, severity=Severity.NOTICE, subject="aspm", summary="s")
    first, second = arrange(None, kelp_box(2).snapshot()).drives
    found = replace(finding, **known_by)
    assert (is_about(found, first.path, "riser-1", first), is_about(found, second.path, None, second)) == expected
