"""What tests of several hosts stand on."""

from pathlib import Path

import pytest


@pytest.fixture
def tree(tmp_path: Path) -> Path:
    """A machine's file tree with one PCI function in it."""
    device = tmp_path / "sys/devices/pci0000:00/0000:00:01.1"
    device.mkdir(parents=True)
    (device / "vendor").write_text("0x1b36\n")
    (device / "config").write_bytes(bytes(range(64)))
    (tmp_path / "sys/bus/pci/devices").mkdir(parents=True)
    (tmp_path / "sys/bus/pci/devices/0000:00:01.1").symlink_to("../../../devices/pci0000:00/0000:00:01.1")
    return tmp_path
