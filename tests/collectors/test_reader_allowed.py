"""What the reader answers: all that collectors ask, and nothing that would hurt or reveal."""

import os
from collections.abc import Sequence
from pathlib import Path

import pytest

from laneproof.commands.inputs import open_recording
from laneproof_collectors.collection import make_collectors, read_snapshot
from laneproof_collectors.file_systems import OWN_TABLE
from laneproof_collectors.host import Host
from laneproof_collectors.pcie.ids import PCI_IDS_FILES
from laneproof_collectors.questions import (
    Answer,
    FileSystem,
    ListFolder,
    NvmeFeature,
    NvmeIdentify,
    NvmeLog,
    Question,
    ReadClock,
    ReadFile,
    ReadJournal,
    ReadKernelLog,
    ReadLink,
    ReadRange,
    ReadUevents,
    Smartctl,
)
from laneproof_collectors.reader_allowed import is_allowed

REFERENCE = os.environ.get("LANEPROOF_REFERENCE")
RECORDINGS = [None, *(sorted(Path(REFERENCE).glob("real-boxes/*.jsonl.gz")) if REFERENCE else ())]
# Each process asks these for itself: two tables are of the process that asks, and the list of names is public.
ASKED_ELSEWHERE = {
    ReadClock(), ReadUevents(), ReadKernelLog(), ReadFile(OWN_TABLE),
    *(ReadRange(file, 0, 2 << 20) for file in PCI_IDS_FILES),
}  # fmt: skip


class _Listening(Host):
    """Asks another host, and keeps what was asked."""

    def __init__(self, inner: Host) -> None:
        self._inner = inner
        self.asked: set[Question] = set()

    def ask(self, questions: Sequence[Question]) -> list[Answer]:
        self.asked |= set(questions)
        return self._inner.ask(questions)


@pytest.mark.parametrize("recording", RECORDINGS, ids=lambda path: path.name if path else "demo")
def test_every_question_of_a_whole_pass_is_answered(recording: Path | None) -> None:
    with open_recording(None if recording is None else str(recording), demo=recording is None) as opened:
        host = opened.host()
        assert host.advance()
        listening = _Listening(host)
        read_snapshot(listening, make_collectors())
    assert len(listening.asked) > 50
    assert [question for question in listening.asked - ASKED_ELSEWHERE if not is_allowed(question)] == []


@pytest.mark.parametrize(
    "question",
    [
        # Attributes of rare machines, which no recording has.
        ReadFile("/sys/devices/pci0000:00/0000:00:1d.0/0000:03:00.0/link/l1_2_aspm"),
        ReadFile("/sys/class/hwmon/hwmon3/temp12_input"),
        ReadFile("/sys/class/powercap/intel-rapl:0/energy_uj"),
        ReadFile("/sys/devices/system/edac/mc/mc0/ce_count"),
        ReadFile("/sys/fs/btrfs/0b5e55ed-0000-4000-8000-000000000001/devinfo/1/error_stats"),
        ReadFile("/sys/devices/pci0000:00/0000:00:17.0/ata1/host0/target0:0:0/0:0:0:0/vpd_pg80"),
        ReadFile("/proc/spl/kstat/zfs/archive/state"),
        ReadFile("/etc/modprobe.d/nvme.conf"),
        FileSystem("/srv/hydrophones"),
        Smartctl("sdaa"),
        Smartctl("nvme0"),
        ReadJournal(-1, 2000, 1_790_000_000.5),
    ],
    ids=str,
)
def test_what_rare_machines_are_asked_is_answered(question: Question) -> None:
    assert is_allowed(question)


@pytest.mark.parametrize(
    "question",
    [
        *map(
            ReadFile,
            (
                "/etc/shadow", "/etc/modprobe.d/../shadow", "/etc/modprobe.d/a/b.conf", "/dev/mem", "/dev/nvme0n1",
                "/dev/kmsg", "/proc/kcore", "/proc/1/environ", "/proc/self/root/etc/shadow", "/proc/1/root/etc/shadow",
                "/proc/self/mem", "/sys/../etc/shadow", "/sys//class/nvme/nvme0/model", "/sys/./block/md0/size",
                "sys/block/md0/size", "", "/", "/sys/devices/pci0000:00/0000:00:1d.0/rom",
                "/sys/devices/pci0000:00/0000:00:1d.0/resource0", "/sys/devices/pci0000:00/0000:00:1d.0/vpd",
                "/sys/kernel/debug/nvme0/fault_inject/status", "/sys/block/md0/md/size\n",
                "/sys/firmware/dmi/entries/raw",
                "/sys/block/md0/size\0/model", "/boot/config-6.1/../../etc/shadow", "/boot/vmlinuz-6.1.0",
            ),
        ),
        ReadRange("/etc/shadow", 0, 64),
        ReadRange("/sys/devices/pci0000:00/0000:00:1d.0/config", -1, 64),
        ReadRange("/sys/devices/pci0000:00/0000:00:1d.0/config", 0, 1 << 24),
        ReadLink("/proc/1/exe"),
        ReadLink("/proc/self/cwd"),
        ListFolder("/root"),
        ListFolder("/proc/1/fd"),
        ListFolder("/sys/.."),
        FileSystem("srv"),
        FileSystem("/srv/../root"),
        NvmeIdentify("../sda"),
        NvmeIdentify("nvme0n1"),
        NvmeLog("nvme0", 0x07, 512),  # telemetry: may hold what passed through the drive
        NvmeLog("nvme0", 0x02 | 1 << 8, 512),  # the byte above is a field of the command of its own
        NvmeLog("nvme0", 0x02, 4096),
        NvmeFeature("nvme0", 0x0C | 1 << 31, 256),  # Set Features' own bit, save
        NvmeFeature("nvme0", 0x84, 0),
        Smartctl("sda -s off"),
        Smartctl("-i"),
        Smartctl("/dev/../etc/shadow"),
        ReadJournal(-2),
        ReadJournal(0, 10**9),
        ReadClock(),
        ReadUevents(),
    ],
    ids=repr,
)  # fmt: skip
def test_all_else_is_refused(question: Question) -> None:
    assert not is_allowed(question)
