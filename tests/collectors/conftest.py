"""What tests of several hosts stand on."""

from collections.abc import Callable
from pathlib import Path

import pytest

from laneproof_collectors import programs

Install = Callable[[str, str], None]


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


@pytest.fixture
def install(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Install:
    """Let a shell script stand in for a program of the system, by its name."""
    monkeypatch.setattr(programs, "PATH", f"{tmp_path}:/usr/bin:/bin")

    def write(name: str, script: str) -> None:
        (tmp_path / name).write_text(f"#!/bin/sh\n{script}\n")
        (tmp_path / name).chmod(0o755)

    return write
