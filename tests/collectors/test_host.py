"""The live host on a tree of files, and what it does when a read hangs, fails or lies about its size."""

import errno
import os
import sys
import threading
import time
from pathlib import Path

import pytest

from laneproof_collectors import host as host_module
from laneproof_collectors.host import (
    MOST_HANGING,
    Answer,
    Clock,
    FeatureValue,
    FileSystem,
    FileSystemFigures,
    ListFolder,
    LiveHost,
    NvmeFeature,
    NvmeIdentify,
    NvmeLog,
    Question,
    ReadClock,
    ReadFile,
    ReadLink,
    ReadRange,
    Smartctl,
    name_question,
    resolve_link,
)
from laneproof_collectors.unread import Reason, Unread
from stuck_devices import try_passes


@pytest.fixture
def tree(tmp_path: Path) -> Path:
    device = tmp_path / "sys/devices/pci0000:00/0000:00:01.1"
    device.mkdir(parents=True)
    (device / "vendor").write_text("0x1b36\n")
    (device / "config").write_bytes(bytes(range(64)))
    (tmp_path / "sys/bus/pci/devices").mkdir(parents=True)
    (tmp_path / "sys/bus/pci/devices/0000:00:01.1").symlink_to("../../../devices/pci0000:00/0000:00:01.1")
    return tmp_path


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
    answer = LiveHost(str(tree)).file("/sys/none")
    assert isinstance(answer, Unread)
    assert (answer.reason, answer.detail, answer.what) == (Reason.ABSENT, "ENOENT", "/sys/none")
    assert str(answer) == "could not read /sys/none: there is no such file (ENOENT)"


def test_a_file_that_never_ends_is_malformed(tree: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(host_module, "FILE_LIMIT_BYTES", 100_000)
    (tree / "large").write_bytes(b"x" * 300_000)
    answer = LiveHost(str(tree)).file("/large")
    assert isinstance(answer, Unread)
    assert answer.reason is Reason.MALFORMED


@pytest.mark.parametrize(
    ("number", "reason"),
    [
        (errno.EACCES, Reason.DENIED),
        (errno.EPERM, Reason.DENIED),
        (errno.ENODEV, Reason.GONE),
        (errno.EIO, Reason.FAILED),
        (errno.EINVAL, Reason.FAILED),
        (errno.EMFILE, Reason.EXHAUSTED),
        (errno.ENFILE, Reason.EXHAUSTED),
        (errno.ENOMEM, Reason.EXHAUSTED),
    ],
)
def test_an_error_of_the_kernel_is_a_value(
    tree: Path, monkeypatch: pytest.MonkeyPatch, number: int, reason: Reason
) -> None:
    def refuse(*_: object) -> bytes:
        raise OSError(number, os.strerror(number))

    monkeypatch.setattr(host_module.os, "read", refuse)
    answer = LiveHost(str(tree)).file("/sys/devices/pci0000:00/0000:00:01.1/vendor")
    assert isinstance(answer, Unread)
    assert (answer.reason, answer.detail) == (reason, errno.errorcode[number])


def test_a_read_that_hangs_costs_one_deadline_and_holds_up_nothing_else(
    tree: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    release, real_open = threading.Event(), os.open
    opened: list[str] = []

    def hang(path: str, *rest: int) -> int:
        opened.append(path)
        if "stuck" in path:
            release.wait(30)
        return real_open(path, *rest)

    (tree / "sys/stuck").mkdir()
    (tree / "sys/stuck/one").write_text("1\n")
    (tree / "sys/stuck/two").write_text("2\n")
    monkeypatch.setattr(host_module.os, "open", hang)
    host = LiveHost(str(tree), deadline_seconds=0.05)
    vendor = "/sys/devices/pci0000:00/0000:00:01.1/vendor"

    one, two = "/sys/stuck/one", "/sys/stuck/two"
    first = host.files((vendor, one, vendor, two))
    assert isinstance(first[1], Unread)
    assert (first[0], first[1].reason, first[2]) == (b"0x1b36\n", Reason.TIMED_OUT, b"0x1b36\n")

    # the same device: answered at once, without another waiting thread
    for second in (first[3], host.file(two)):
        assert isinstance(second, Unread)
        assert f"still waiting for {one}" in second.why
    assert sum("stuck" in path for path in opened) == 1

    release.set()
    for _ in range(3000):  # half a minute: how long a thread needs to end says how busy the machine is
        if host.file(two) == b"2\n":
            break
        threading.Event().wait(0.01)
    assert host.file(two) == b"2\n"
    host.close()


class DrivesThatMeet(LiveHost):
    """Drives that answer only once all of them have been asked."""

    def __init__(self, drives: int) -> None:
        super().__init__("/nonexistent", deadline_seconds=60)
        self.meeting = threading.Barrier(drives)

    def _answer(self, question: Question) -> Answer:
        if isinstance(question, NvmeLog):
            self.meeting.wait(60)
        return name_question(question).encode()


def test_devices_that_hang_are_waited_for_side_by_side_and_each_keeps_its_own_questions() -> None:
    host = DrivesThatMeet(7)
    asked = [part for number in range(7) for part in (NvmeLog(f"nvme{number}", 2, 512), NvmeIdentify(f"nvme{number}"))]
    assert host.ask(asked) == [name_question(question).encode() for question in asked]
    host.close()


class Stalling(LiveHost):
    """A tree of files in which all that begins so gets no answer until it is let go."""

    def __init__(self, root: str, *beginnings: str, deadline_seconds: float = 0.5) -> None:
        super().__init__(root, deadline_seconds=deadline_seconds)
        self.beginnings = beginnings
        self.let_go = threading.Event()
        self.waiting = 0

    def _answer(self, question: Question) -> Answer:
        if name_question(question).startswith(self.beginnings):
            self.waiting += 1
            self.let_go.wait(60)
        return super()._answer(question)


def test_all_below_a_device_that_hangs_counts_as_hung_and_what_a_drive_answers_too(tree: Path) -> None:
    port = "/sys/devices/pci0000:00/0000:00:01.1"
    drive = f"{port}/0000:01:00.0/nvme/nvme0"
    (tree / drive[1:]).mkdir(parents=True)
    (tree / drive[1:] / "state").write_text("live\n")
    (tree / "sys/class/nvme").mkdir(parents=True)
    (tree / "sys/class/nvme/nvme0").symlink_to(f"../../{drive[5:]}")
    host = Stalling(str(tree), f"{port}/config")
    assert host.file(f"{drive}/state") == b"live\n"
    host.file(f"{port}/config")
    below = (ReadFile(f"{drive}/state"), NvmeLog("nvme0", 2, 512), Smartctl("nvme0"), ListFolder(drive))
    for answer in host.ask(below):
        assert isinstance(answer, Unread)
        assert answer.reason is Reason.TIMED_OUT
        assert f"still waiting for {port}/config" in answer.why
    assert host.folder("/sys/bus/pci/devices") == ("0000:00:01.1",)
    assert host.waiting == 1
    host.let_go.set()
    host.close()


def test_a_drive_that_answers_nothing_costs_its_own_answers_and_not_the_kernels_files_about_it(tree: Path) -> None:
    host = Stalling(str(tree), "log 02h of nvme0")
    log, vendor, other = host.ask(
        [NvmeLog("nvme0", 2, 512), ReadFile("/sys/devices/pci0000:00/0000:00:01.1/vendor"), NvmeLog("nvme1", 2, 512)]
    )
    assert isinstance(log, Unread)
    assert isinstance(other, Unread)
    assert (log.reason, vendor, other.reason) == (Reason.TIMED_OUT, b"0x1b36\n", Reason.ABSENT)
    host.let_go.set()
    host.close()


def test_no_more_reads_are_begun_than_may_hang_at_a_time_and_one_that_comes_back_makes_room(tree: Path) -> None:
    host = Stalling(str(tree), "/sys/stuck", deadline_seconds=0.02)
    before = threading.active_count()
    for number in range(3 * MOST_HANGING):
        answer = host.file(f"/sys/stuck/{number}/state")  # each a device of its own
        assert isinstance(answer, Unread)
    assert host.waiting == MOST_HANGING
    assert threading.active_count() - before <= MOST_HANGING + 1
    assert f"{MOST_HANGING} reads hang" in answer.why
    assert isinstance(host.clock(), Clock)  # what never waits is answered all the same
    host.let_go.set()
    until_all_came_back = (host.folder("/sys/bus/pci/devices") for _ in range(3000) if not threading.Event().wait(0.01))
    assert ("0000:00:01.1",) in until_all_came_back
    host.close()


@pytest.mark.parametrize(
    ("fault", "reason"), [(MemoryError(), Reason.EXHAUSTED), (ValueError("embedded null byte"), Reason.FAILED)]
)
def test_a_fault_of_the_program_is_an_answer_and_no_hung_thread(
    tree: Path, monkeypatch: pytest.MonkeyPatch, fault: Exception, reason: Reason
) -> None:
    def fail(*_: object) -> bytes:
        raise fault

    host = LiveHost(str(tree))
    vendor = "/sys/devices/pci0000:00/0000:00:01.1/vendor"
    with monkeypatch.context() as failing:
        failing.setattr(host_module.os, "read", fail)
        answer = host.file(vendor)
    assert isinstance(answer, Unread)
    assert answer.reason is reason
    assert host.file(vendor) == b"0x1b36\n"
    host.close()


def test_without_libudev_device_events_are_unread_and_the_watch_goes_on(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("ctypes.util.find_library", lambda _: None)  # as on a system without the library
    for name in [name for name in sys.modules if name.split(".")[0] == "pyudev"]:
        monkeypatch.delitem(sys.modules, name)
    host = LiveHost()
    answer = host.uevents()
    host.close()
    assert isinstance(answer, Unread)
    assert (answer.reason, "not installed" in str(answer)) == (Reason.ABSENT, True)


def test_over_many_passes_what_hangs_costs_its_own_facts_and_nothing_gathers() -> None:
    try_passes(15, seed=time.time_ns(), change_every=4, deadline_seconds=1.0)


def test_a_thread_that_cannot_be_had_is_an_answer(tree: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(_: threading.Thread) -> None:
        raise RuntimeError("can't start new thread")

    monkeypatch.setattr(threading.Thread, "start", refuse)
    host = LiveHost(str(tree))
    answer = host.file("/sys/devices/pci0000:00/0000:00:01.1/vendor")
    assert isinstance(answer, Unread)
    assert (answer.reason, answer.why) == (Reason.EXHAUSTED, "can't start new thread")
    assert isinstance(host.clock(), Clock)


def test_only_the_three_reading_commands_are_sent(tree: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    # Opcodes and double word 10: NVM Express Base Specification 2.0, Get Log Page, Identify, Get Features.
    sent: list[tuple[int, ...]] = []

    def answer(_: int, request: int, command: bytearray, mutate: bool) -> int:  # noqa: FBT001 (the C interface)
        assert request == 0xC0484E41
        assert mutate
        fields = host_module._PASSTHROUGH.unpack(command)
        assert fields[16] == 0  # timeout_ms: a time of our own would have the driver reset a slow drive's controller
        sent.append((fields[0], fields[3], fields[9], fields[10]))
        host_module._PASSTHROUGH.pack_into(command, 0, *fields[:-1], 7)
        return 0

    monkeypatch.setattr(host_module.fcntl, "ioctl", answer)
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
    monkeypatch.setattr(host_module.fcntl, "ioctl", lambda *_: 0x4002)  # Invalid Field in Command, do not retry
    (tree / "dev").mkdir()
    (tree / "dev/nvme0").touch()
    (answer,) = LiveHost(str(tree)).ask([NvmeLog("nvme0", 0xC0, 512)])
    assert isinstance(answer, Unread)
    assert (answer.reason, answer.detail) == (Reason.REFUSED, "2")
    assert str(answer) == "could not read log C0h of nvme0: the drive answered status code type 0h, status code 02h"


def test_a_controller_name_cannot_lead_elsewhere(tree: Path) -> None:
    (answer,) = LiveHost(str(tree)).ask([NvmeIdentify("../etc/passwd")])
    assert isinstance(answer, Unread)
    assert answer.detail == "EINVAL"


def test_file_system_figures_agree_with_the_system(tree: Path) -> None:
    (answer,) = LiveHost(str(tree)).ask([FileSystem("/")])
    assert isinstance(answer, FileSystemFigures)
    reported = os.statvfs(tree)
    assert answer.size_bytes == reported.f_blocks * reported.f_frsize
    assert answer.available_bytes == pytest.approx(reported.f_bavail * reported.f_frsize, rel=0.01)
    assert answer.free_bytes == pytest.approx(reported.f_bfree * reported.f_frsize, rel=0.01)
    assert answer.read_only == bool(reported.f_flag & os.ST_RDONLY)


def test_the_kernel_log_is_read_on_and_gaps_are_counted(tree: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    records = [b"6,10,100,-;one\n", b"6,11,200,-;two\n", BrokenPipeError(), b"4,15,300,-;five\n", BlockingIOError()]

    def read(*_: object) -> bytes:
        record = records.pop(0)
        if isinstance(record, OSError):
            raise record
        return record

    (tree / "dev").mkdir()
    (tree / "dev/kmsg").touch()
    host = LiveHost(str(tree))
    monkeypatch.setattr(host_module.os, "read", read)
    log = host.kernel_log()
    assert not isinstance(log, Unread)
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
