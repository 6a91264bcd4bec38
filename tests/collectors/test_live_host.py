"""The live host on a tree of files, and what it does when a read fails or a file lies about its size."""

import errno
import fcntl
import os
import sys
from pathlib import Path
from types import SimpleNamespace

import pytest

from laneproof_collectors import live_host
from laneproof_collectors.host import resolve_link
from laneproof_collectors.live_host import LiveHost
from laneproof_collectors.questions import (
    FeatureValue,
    FileSystem,
    FileSystemFigures,
    ListFolder,
    NvmeFeature,
    NvmeIdentify,
    NvmeLog,
    ReadClock,
    ReadFile,
    ReadLink,
    ReadRange,
)
from laneproof_collectors.unread import Reason, Unread
from support.unread_answers import known, unread


def test_a_batch_is_answered_in_order(tree: Path) -> None:
    device = "/sys/devices/pci0000:00/0000:00:01.1"
    answers = LiveHost(str(tree)).ask(
        [
            ReadFile(f"{device}/vendor"),
            ReadRange(f"{device}/config", 60, 16),
            ReadLink("/sys/bus/pci/devices/0000:00:01.1"),
            ListFolder(device),
        ]
    )
    link = "../../../devices/pci0000:00/0000:00:01.1"
    assert answers == [b"0x1b36\n", bytes(range(60, 64)), link, ("config", "vendor")]
    assert resolve_link("/sys/bus/pci/devices/0000:00:01.1", link) == device


def test_what_is_not_there_is_absent_and_says_its_path(tree: Path) -> None:
    answer = unread(LiveHost(str(tree)).file("/sys/none"))
    assert (answer.reason, answer.detail, answer.what) == (Reason.ABSENT, "ENOENT", "/sys/none")
    assert str(answer) == "could not read /sys/none: there is no such file (ENOENT)"


def test_a_file_that_never_ends_is_malformed(tree: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(live_host, "FILE_LIMIT_BYTES", 100_000)
    (tree / "large").write_bytes(b"x" * 300_000)
    assert unread(LiveHost(str(tree)).file("/large")).reason is Reason.MALFORMED


@pytest.mark.parametrize(
    ("fault", "reason"),
    [
        (OSError(errno.ENODEV, "gone"), Reason.GONE),
        (MemoryError(), Reason.EXHAUSTED),
        (ValueError("embedded null byte"), Reason.FAILED),
    ],
)
def test_a_fault_of_the_kernel_or_the_program_is_an_answer_and_no_hung_thread(
    tree: Path, monkeypatch: pytest.MonkeyPatch, fault: Exception, reason: Reason
) -> None:
    def fail(*_: object) -> bytes:
        raise fault

    host = LiveHost(str(tree))
    vendor = "/sys/devices/pci0000:00/0000:00:01.1/vendor"
    with monkeypatch.context() as failing:
        failing.setattr(os, "read", fail)
        answer = host.file(vendor)
    assert unread(answer).reason is reason
    assert host.file(vendor) == b"0x1b36\n"
    host.close()


class KernelEvents:
    """Stands in for pyudev's Monitor: two events of a drive, then none."""

    def __init__(self) -> None:
        self.subsystems: set[str] = set()
        self.waiting = [
            SimpleNamespace(action=action, device_path="/devices/x", subsystem="nvme", properties={"SEQNUM": number})
            for number, action in ((7, "remove"), (8, "add"))
        ]
        self.pipe = os.pipe()

    def filter_by(self, subsystem: str) -> None:
        self.subsystems.add(subsystem)

    def start(self) -> None:
        os.write(self.pipe[1], b"!")

    def poll(self, timeout: float) -> SimpleNamespace | None:
        assert timeout == 0, "a pass is held up"
        return self.waiting.pop(0) if self.waiting else None

    def fileno(self) -> int:
        return self.pipe[0]


def test_device_events_are_taken_once_and_end_a_wait(monkeypatch: pytest.MonkeyPatch) -> None:
    monitor, sources = KernelEvents(), []
    monkeypatch.setattr("pyudev.Context", lambda: None)
    monkeypatch.setattr("pyudev.Monitor.from_netlink", lambda _, source: sources.append(source) or monitor)
    host = LiveHost()
    assert known(host.uevents()) == tuple(
        {"action": action, "devpath": "/devices/x", "subsystem": "nvme", "SEQNUM": number}
        for number, action in (("7", "remove"), ("8", "add"))
    )
    assert (host.uevents(), sources, monitor.subsystems) == ((), ["kernel"], {"nvme", "pci", "block", "scsi", "net"})
    assert host.wait(60)
    host.close()
    assert not host.wait(0)


def test_without_libudev_device_events_are_unread_and_the_watch_goes_on(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("ctypes.util.find_library", lambda _: None)  # as on a system without the library
    for name in [name for name in sys.modules if name.split(".")[0] == "pyudev"]:
        monkeypatch.delitem(sys.modules, name)
    host = LiveHost()
    answer = host.uevents()
    host.close()
    assert isinstance(answer, Unread)
    assert (answer.reason, "not installed" in str(answer)) == (Reason.ABSENT, True)


def test_only_the_three_reading_commands_are_sent(tree: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    # Opcodes and double word 10: NVM Express Base Specification 2.0, Get Log Page, Identify, Get Features.
    sent: list[tuple[int, ...]] = []

    def answer(_: int, request: int, command: bytearray, mutate: bool) -> int:
        assert request == 0xC0484E41
        assert mutate
        fields = live_host._PASSTHROUGH.unpack(command)
        assert fields[16] == 0  # timeout_ms: a time of our own would have the driver reset a slow drive's controller
        sent.append((fields[0], fields[3], fields[9], fields[10]))
        live_host._PASSTHROUGH.pack_into(command, 0, *fields[:-1], 7)
        return 0

    monkeypatch.setattr(fcntl, "ioctl", answer)
    (tree / "dev").mkdir()
    (tree / "dev/nvme0").touch()
    answers = LiveHost(str(tree)).ask(
        [NvmeIdentify("nvme0"), NvmeLog("nvme0", 2, 512), NvmeFeature("nvme0", 0x0C, 256), NvmeFeature("nvme0", 2)]
    )
    assert sent == [
        (0x06, 0, 4096, 0x01),
        (0x02, 0xFFFFFFFF, 512, 0x007F8002),
        (0x0A, 0, 256, 0x0C),
        (0x0A, 0, 0, 0x02),
    ]
    assert answers[0] == bytes(4096)
    assert answers[2] == FeatureValue(value=7, data=bytes(256))
    assert answers[3] == FeatureValue(value=7)


def test_a_status_of_the_drive_is_reported_with_its_code(tree: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(fcntl, "ioctl", lambda *_: 0x4002)  # Invalid Field in Command, do not retry
    (tree / "dev").mkdir()
    (tree / "dev/nvme0").touch()
    (answer,) = LiveHost(str(tree)).ask([NvmeLog("nvme0", 0xC0, 512)])
    assert isinstance(answer, Unread)
    assert (answer.reason, answer.detail) == (Reason.REFUSED, "2")
    assert str(answer) == "could not read log C0h of nvme0: the drive answered status code type 0h, status code 02h"


def test_a_controller_name_cannot_lead_elsewhere(tree: Path) -> None:
    (answer,) = LiveHost(str(tree)).ask([NvmeIdentify("../etc/passwd")])
    assert unread(answer).detail == "EINVAL"


def test_file_system_figures_agree_with_the_system(tree: Path) -> None:
    (answer,) = LiveHost(str(tree)).ask([FileSystem("/")])
    assert isinstance(answer, FileSystemFigures)
    reported = os.statvfs(tree)
    assert answer.size_bytes == reported.f_blocks * reported.f_frsize
    assert answer.available_bytes == pytest.approx(reported.f_bavail * reported.f_frsize, rel=0.01)
    assert answer.free_bytes == pytest.approx(reported.f_bfree * reported.f_frsize, rel=0.01)
    assert answer.read_only == bool(reported.f_flag & os.ST_RDONLY)


def test_the_kernel_log_is_read_on_and_gaps_are_counted(tree: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    records: list[bytes | OSError] = [
        b"6,10,100,-;one\n",
        b"6,11,200,-;two\n",
        BrokenPipeError(),
        b"4,15,300,-;five\n",
        BlockingIOError(),
    ]

    def read(*_: object) -> bytes:
        record = records.pop(0)
        if isinstance(record, OSError):
            raise record
        return record

    (tree / "dev").mkdir()
    (tree / "dev/kmsg").touch()
    host = LiveHost(str(tree))
    monkeypatch.setattr(os, "read", read)
    log = known(host.kernel_log())
    assert log.records == ("6,10,100,-;one", "6,11,200,-;two", "4,15,300,-;five")
    assert log.lost == 10 + 3  # ten since boot were overwritten before the first reading
    host.close()


def test_the_clock_gives_all_three_times() -> None:
    clock = LiveHost().clock()
    assert clock.unix_seconds > 1_700_000_000
    # clock_gettime(2): CLOCK_BOOTTIME is CLOCK_MONOTONIC and the time in suspend; /proc/uptime is the former.
    assert clock.monotonic_seconds is not None
    assert 0 < clock.monotonic_seconds <= clock.up_seconds + 0.001
    assert abs(clock.up_seconds - float(Path("/proc/uptime").read_text().split()[0])) < 5
    (again,) = LiveHost().ask([ReadClock()])
    assert not isinstance(again, Unread)
