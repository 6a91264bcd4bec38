"""Memory: modules and sockets, the kernel's total, error counts."""

import errno

import pytest
from pyfakefs.fake_filesystem import FakeFilesystem

from laneproof_collectors.live_host import LiveHost
from laneproof_collectors.memory import EDAC, KERNEL_TOTAL, parse_total, read_memory
from laneproof_collectors.smbios import ENTRIES
from laneproof_collectors.snapshot import EdacController
from laneproof_collectors.unread import Reason, Unread
from simulation.fake_machine import FakeMachine, replay
from simulation.smbios_tables import memory_array, memory_device
from support.unread_answers import known, unread

MEMINFO = "MemTotal:       65737892 kB\nMemFree:        44201108 kB\n"
GIB_32 = 32 << 30


@pytest.fixture
def machine(fs: FakeFilesystem) -> FakeMachine:
    return FakeMachine(
        fs,
        {
            KERNEL_TOTAL: MEMINFO,
            f"{ENTRIES}/16-0/raw": memory_array(error_correction=6),
            f"{ENTRIES}/17-0/raw": memory_device(size=0x7FFF, extended_size=32768, locator="DIMM_A1"),
            f"{ENTRIES}/17-1/raw": memory_device(size=0, locator="DIMM_A2"),
            f"{ENTRIES}/17-2/raw": memory_device(size=0x7FFF, extended_size=32768, locator="DIMM_B1"),
            f"{ENTRIES}/17-3/raw": memory_device(size=0, locator="DIMM_B2"),
        },
    )


def test_modules_and_empty_sockets(machine: FakeMachine) -> None:
    memory = known(read_memory(machine))
    assert isinstance(memory.modules, tuple)
    assert [(module.locator, module.size_bytes, module.configured_mt_s) for module in memory.modules] == [
        ("DIMM_A1", GIB_32, 4800),
        ("DIMM_B1", GIB_32, 4800),
    ]
    assert (memory.error_correction, memory.edac) == (6, ())
    assert memory.total_bytes == 65737892 * 1024


def test_a_recording_gives_the_same_memory(machine: FakeMachine) -> None:
    machine.put({f"{EDAC}/mc0/ce_count": "12\n", f"{EDAC}/mc0/ue_count": "0\n"})
    live, replayed = replay(machine, read_memory)
    assert replayed == live


def test_only_what_stays_the_same_is_read_of_the_total(machine: FakeMachine) -> None:
    before = known(read_memory(machine))
    machine.put({KERNEL_TOTAL: MEMINFO.replace("44201108", "  201108")})
    assert known(read_memory(machine)) == before
    (raw,) = machine.ranges(((KERNEL_TOTAL, 0, 32),))
    assert raw == b"MemTotal:       65737892 kB\nMemF"


def test_memory_that_is_not_the_systems_is_left_out(machine: FakeMachine) -> None:
    machine.put(
        {
            f"{ENTRIES}/16-1/raw": memory_array(use=5, handle=0x1001),  # flash
            f"{ENTRIES}/17-4/raw": memory_device(size=16, array=0x1001, locator="SYSTEM ROM"),
            f"{ENTRIES}/17-5/raw": memory_device(size=0, array=0x1001),
        }
    )
    memory = known(read_memory(machine))
    assert isinstance(memory.modules, tuple)
    assert [module.locator for module in memory.modules] == ["DIMM_A1", "DIMM_B1"]


def test_error_counts_of_each_controller(machine: FakeMachine) -> None:
    machine.put(
        {
            f"{EDAC}/mc0/ce_count": "12\n",
            f"{EDAC}/mc0/ue_count": "0\n",
            f"{EDAC}/mc1/ce_count": "many\n",
            f"{EDAC}/power/control": "auto\n",
        }
    )
    first, second = known(read_memory(machine)).edac
    assert first == EdacController(name="mc0", correctable=12, uncorrectable=0)
    assert isinstance(second.correctable, Unread)
    assert isinstance(second.uncorrectable, Unread)


def test_without_smbios_modules_are_unread(fs: FakeFilesystem) -> None:
    memory = known(read_memory(FakeMachine(fs, {KERNEL_TOTAL: MEMINFO})))
    assert unread(memory.modules).reason is Reason.ABSENT
    assert memory.error_correction is None
    assert memory.total_bytes == 65737892 * 1024


def test_modules_that_only_root_may_read_are_unread(machine: FakeMachine) -> None:
    machine.faults[f"{ENTRIES}/17-0/raw"] = errno.EACCES
    assert unread(known(read_memory(machine)).modules).reason is Reason.DENIED


@pytest.mark.parametrize("raw", [b"", b"MemFree: 1 kB\n", b"MemTotal:\n", b"\xff" * 40])
def test_a_total_that_is_none_says_so(raw: bytes) -> None:
    assert isinstance(parse_total(raw), Unread)


def test_this_machine_agrees_with_its_page_count() -> None:
    import os  # noqa: PLC0415 (the second witness, for this test alone)

    memory = known(read_memory(LiveHost()))
    # sysinfo(2), by another route than the text of /proc/meminfo
    assert memory.total_bytes == os.sysconf("SC_PHYS_PAGES") * os.sysconf("SC_PAGE_SIZE")
