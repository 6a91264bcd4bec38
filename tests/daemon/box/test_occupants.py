"""What is in a position, whatever its kind."""

from dataclasses import replace

import pytest

from laneproof.box.occupants import describe_drive, kind_of
from laneproof.box.topology import survey
from laneproof_collectors.snapshot import NvmeNamespace
from laneproof_collectors.unread import Unread
from simulated_box import Box, make_sata_drive


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


def test_sata_drive_tells_its_own_identity() -> None:
    found = describe_drive(make_sata_drive("sda", "0000:00/17.0/ata-1"), "0000:00/17.0/ata-1")
    assert (found.model, found.serial, found.capacity_bytes) == ("Gannet S8", "GSsda", 8_001_563_222_016)
    assert found.disks == ("sda",)
    assert found.address is None


def test_drive_that_tells_no_capacity_is_unread_in_it() -> None:
    gap = Unread("identify of nvme0", "permission denied")
    box = Box().with_port("0000:00/01.1")
    box.with_drive("0000:00/01.1", controller={"identity": gap, "namespaces": ()})
    found = survey(box.snapshot()).occupant_at("0000:00/01.1")
    assert found is not None
    assert found.capacity_bytes is gap
    assert found.serial == "FN0000"


def test_sleeping_device_is_told_as_asleep() -> None:
    found = survey(Box().with_port("0000:00/01.1").with_drive("0000:00/01.1", asleep=True).snapshot()).occupant_at(
        "0000:00/01.1"
    )
    assert found is not None
    assert found.asleep


def test_drive_whose_disk_is_not_there_yet_is_unread_in_its_capacity() -> None:
    namespace = NvmeNamespace(
        name="nvme0n1",
        number=1,
        size_bytes=0,
    )
    identity = Unread("identify of nvme0", "denied")
    box = (
        Box()
        .with_port("0000:00/01.1")
        .with_drive("0000:00/01.1", controller={"namespaces": (namespace,), "identity": identity})
    )
    (found,) = survey(box.snapshot()).drive_occupants()
    assert isinstance(found.capacity_bytes, Unread)


def test_a_device_whose_kind_could_not_be_read_has_no_model_by_its_ids() -> None:
    gap = Unread("class of 0000:01:00.0", "permission denied")
    box = Box().with_port("0000:00/01.1").with_drive("0000:00/01.1").with_group(controllers=gap)
    box.edit("0000:00/01.1/00.0", lambda one: replace(one, class_code=gap))
    found = survey(box.snapshot()).occupant_at("0000:00/01.1")
    assert found is not None
    assert (found.kind, found.model) == (gap, gap)
