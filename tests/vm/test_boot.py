"""The boots themselves: what goes wrong ends in time, says why, and leaves no machine running."""

import os
import signal
import time
from pathlib import Path

import pytest

from vm.boot import GUEST, Boot, EmulatorError, MachineError
from vm.machine import Drive, Machine, RootPort

pytestmark = pytest.mark.vm


def _machines_in(folder: Path) -> list[str]:
    """Find the processes whose command line names a folder."""
    found = []
    for path in Path("/proc").glob("[0-9]*/cmdline"):
        try:
            words = path.read_bytes().decode(errors="replace")
        except OSError:
            continue
        if str(folder) in words and "qemu-system" in words:
            found.append(words)
    return found


def test_a_machine_that_cannot_be_built_says_what_qemu_said(tmp_path: Path) -> None:
    machine = Machine(parts=({"driver": "no-such-part"},))
    with pytest.raises(MachineError, match="'no-such-part' is not a valid device model name"), _boot(machine, tmp_path):
        pass
    assert _machines_in(tmp_path) == []


def test_a_boot_that_takes_too_long_ends_at_its_deadline(tmp_path: Path) -> None:
    began = time.monotonic()
    with _boot(Machine(), tmp_path, seconds=2) as boot:
        assert len(_machines_in(tmp_path)) == 1
        with pytest.raises(MachineError, match="did not reach the step 'look' within 2 s"):
            boot.wait("look")
    assert time.monotonic() - began < 10
    assert _machines_in(tmp_path) == []


def test_a_crash_of_qemu_is_no_end_of_the_machine(tmp_path: Path) -> None:
    with _boot(Machine(), tmp_path) as boot:
        os.kill(boot._process.pid, signal.SIGSEGV)
        with pytest.raises(EmulatorError, match=f"by signal {signal.SIGSEGV:d}: the machine ended before"):
            boot.wait("look")


def test_a_drive_is_described_once_for_boot_and_for_insertion(tmp_path: Path) -> None:
    drive = Drive(name="hydro-1", serial="TIDE-0001", port="riser-1", bad_sectors=(8,))
    machine = Machine(ports=(RootPort(name="riser-1", address="4.0", slot=1),), drives=(drive,))
    assert machine.devices()[-1] == drive.device()
    assert drive.device(port="riser-2") == drive.device() | {"bus": "riser-2"}
    assert drive.blocks(tmp_path)["file"]["inject-error"] == [
        {"event": "none", "iotype": "read", "sector": 8, "errno": 5}
    ]


def _boot(machine: Machine, folder: Path, *, seconds: float = 60) -> Boot:
    return Boot(machine, (GUEST / "split_slot.py", "0", "none"), folder, seconds=seconds)
