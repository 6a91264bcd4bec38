"""Folders as the kernel lays them out on small boards; each layout's source stands beside it."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from laneproof_collectors.platform_path import find_platform_path, make_fabrics_path

SCSI = "host0/target0:0:0/0:0:0:0/block/sda"


@pytest.mark.parametrize(
    ("folder", "path"),
    [
        # drivers/ata/ahci_platform.c below a node of the device tree
        (f"/sys/devices/platform/fc800000.sata/ata1/{SCSI}", "platform/fc800000.sata"),
        (f"/sys/devices/platform/soc/soc:bus@30000000/30400000.sata/ata1/{SCSI}", "platform/30400000.sata"),
        # drivers/usb/dwc3: the host's own device is numbered as it comes up, the node above it is not
        (
            f"/sys/devices/platform/usbdrd3_0/fc000000.usb/xhci-hcd.0.auto/usb6/6-1/6-1:1.0/{SCSI}",
            "platform/fc000000.usb",
        ),
        ("/sys/devices/platform/soc/27bcc0000.nvme/nvme/nvme0", "platform/27bcc0000.nvme"),
        # drivers/virtio/virtio_mmio.c
        (f"/sys/devices/platform/a003e00.virtio_mmio/virtio0/{SCSI}", "platform/a003e00.virtio_mmio"),
        # ACPI names its devices itself
        (f"/sys/devices/platform/AMDI0600:00/ata1/{SCSI}", "platform/AMDI0600:00"),
        # a session of iSCSI, a disk that software makes, and a path that tells nothing
        (f"/sys/devices/platform/host5/session1/target5:0:0/{SCSI}", None),
        ("/sys/devices/virtual/nvme-fabrics/ctl/nvme0", None),
        (f"/sys/devices/platform/{SCSI}", None),
        ("/sys/block/sda", None),
        ("", None),
    ],
)
def test_a_path_names_the_controller_by_what_stays(folder: str, path: str | None) -> None:
    assert find_platform_path(folder) == path


def test_a_drive_across_a_network_is_named_by_its_serial_number() -> None:
    assert make_fabrics_path("KELP 0001/a") == "fabrics/KELP_0001_a"


@given(st.text())
def test_any_folder_gives_a_path_of_two_parts_or_none(folder: str) -> None:
    path = find_platform_path(folder)
    assert path is None or path.count("/") == 1
