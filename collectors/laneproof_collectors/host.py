"""The one door to the machine that is judged: a closed set of questions with plain answers.

Rules of this module: only here does the program open a file of the machine, run a command on it, send a drive a
command, or ask the time. A question is a value, an answer is a value, and a failure is an answer (`Unread`), not an
exception. The questions (``questions.py``) come in batches, so that one hand-over pays for many reads and a later
host can ask a privileged process. The live host sends drives three admin commands only (Identify, Get Log Page, Get
Features) and never writes.

What it does not do: it parses nothing. Meaning is made in the collectors.
"""

import contextlib
import errno
import fcntl
import json
import os
import select
import struct
import threading
import time
from abc import ABC, abstractmethod
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any, cast

from laneproof_collectors.questions import (
    Answer,
    Clock,
    FeatureValue,
    FileSystem,
    FileSystemFigures,
    KernelLogRead,
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
    name_question,
    unread_from_errno,
    unread_from_nvme_status,
)
from laneproof_collectors.unread import Reason, Unread

__all__ = [
    "Answer", "Clock", "FeatureValue", "FileSystem", "FileSystemFigures", "Host", "KernelLogRead", "ListFolder",
    "LiveHost", "NvmeFeature", "NvmeIdentify", "NvmeLog", "Question", "ReadClock", "ReadFile", "ReadJournal",
    "ReadKernelLog", "ReadLink", "ReadRange", "ReadUevents", "Smartctl", "name_question", "resolve_link",
    "unread_from_errno", "unread_from_nvme_status",
]  # fmt: skip

DEFAULT_DEADLINE_SECONDS = 5.0
"""How long one question may take. An NVMe admin command normally takes milliseconds; the kernel's own limit is 60 s."""

HAND_OVER_SECONDS = 0.1
"""How long the rest of a batch waits behind one question before another thread goes on with it."""
JOURNAL_SECONDS = 40.0
"""The journal may take longer: it keeps a deadline of its own, and ends what it started."""
MOST_HANGING = 24
"""How many reads may hang at a time: each keeps a thread, and a device that gets another name may hang once more."""
SMARTCTL_SECONDS = 20.0
"""When smartctl is ended: the question is given up before, and its drive is left alone until then."""

FILE_LIMIT_BYTES = 1 << 20
"""A file of the machine larger than this is not what we think it is (sysfs attributes end at 4096 bytes)."""


class Host(ABC):
    """A machine that can be asked. The named methods below are shorthand; `ask` is the whole contract."""

    @abstractmethod
    def ask(self, questions: Sequence[Question]) -> list[Answer]:
        """Answer a batch: one answer a question, in order. Never raises for what the machine does."""

    def wait(self, seconds: float, wake_descriptor: int | None = None) -> bool:  # noqa: ARG002 (a recording never waits)
        """Sleep until the kernel has an event or a log record, or the time is over.

        Args:
            seconds: How long at most.
            wake_descriptor: A descriptor of the caller's own that ends the wait when it becomes readable.

        Returns:
            Whether something ended the wait before its time.
        """
        return False

    def close(self) -> None:  # noqa: B027 (a recording holds nothing open)
        """Let go of what is held open (the kernel log, the event socket)."""

    def files(self, paths: Iterable[str]) -> list[bytes | Unread]:
        """Read whole files."""
        return cast("list[bytes | Unread]", self.ask([ReadFile(path) for path in paths]))

    def file(self, path: str) -> bytes | Unread:
        """Read one whole file."""
        return self.files((path,))[0]

    def links(self, paths: Iterable[str]) -> list[str | Unread]:
        """Read the raw targets of links."""
        return cast("list[str | Unread]", self.ask([ReadLink(path) for path in paths]))

    def link(self, path: str) -> str | Unread:
        """Read the raw target of one link."""
        return self.links((path,))[0]

    def folders(self, paths: Iterable[str]) -> list[tuple[str, ...] | Unread]:
        """List folders."""
        return cast("list[tuple[str, ...] | Unread]", self.ask([ListFolder(path) for path in paths]))

    def folder(self, path: str) -> tuple[str, ...] | Unread:
        """List one folder."""
        return self.folders((path,))[0]

    def ranges(self, asks: Iterable[tuple[str, int, int]]) -> list[bytes | Unread]:
        """Read parts of files, each given as path, offset, length."""
        return cast("list[bytes | Unread]", self.ask([ReadRange(*span) for span in asks]))

    def kernel_log(self) -> KernelLogRead | Unread:
        """Take the kernel log records that came since the last call."""
        return cast("KernelLogRead | Unread", self.ask((ReadKernelLog(),))[0])

    def journal(self, boot: int = 0, lines: int = 20_000, since_unix: float | None = None) -> tuple[str, ...] | Unread:
        """Take the kernel's messages of a boot from the journal: 0 is this one, -1 the one before."""
        return cast("tuple[str, ...] | Unread", self.ask((ReadJournal(boot, lines, since_unix),))[0])

    def uevents(self) -> tuple[dict[str, str], ...] | Unread:
        """Take the device events that came since the last call."""
        return cast("tuple[dict[str, str], ...] | Unread", self.ask((ReadUevents(),))[0])

    def clock(self) -> Clock:
        """Ask the time, once for a whole pass."""
        return cast("Clock", self.ask((ReadClock(),))[0])


def resolve_link(path: str, target: str) -> str:
    """Join a link's raw target to the link's own folder, without touching the machine.

    Args:
        path: Where the link stands, canonical.
        target: Its raw target, absolute or relative.

    Returns:
        The canonical path meant, if no component of it is itself a link (true of sysfs class links).
    """
    return os.path.normpath(os.path.join(os.path.dirname(path), target))  # noqa: PTH118, PTH120 (text only, no file touched)


# NVMe admin passthrough, include/uapi/linux/nvme_ioctl.h: _IOWR('N', 0x41, struct nvme_passthru_cmd), 72 bytes.
_NVME_IOCTL_ADMIN_CMD = 0xC0484E41
_PASSTHROUGH = struct.Struct("=BBHIIIQQII6III")
_ADMIN_GET_LOG_PAGE, _ADMIN_IDENTIFY, _ADMIN_GET_FEATURES = 0x02, 0x06, 0x0A  # NVMe Base 2.0, figure 138
_IDENTIFY_CONTROLLER = 0x01  # CNS
_ALL_NAMESPACES = 0xFFFFFFFF
_RETAIN_ASYNCHRONOUS_EVENT = 1 << 15  # do not clear a pending event by looking
_IDENTIFY_BYTES = 4096
# When the time given with an admin command is over, the driver resets the controller (drivers/nvme/host/pci.c,
# nvme_timeout: "QID 0 timeout, reset controller"): a reading must never be the cause, so only the thread stops waiting.
_KERNELS_OWN_TIMEOUT = 0
_STATUS_MASK = 0x7FF  # status code type and status code; above are MORE and DNR


_ANSWERED_AT_ONCE = (ReadClock, ReadKernelLog, ReadUevents)
"""These never wait, and need no thread: also where none is to be had, the kernel's events are read."""
READ_FLAGS = os.O_RDONLY | os.O_CLOEXEC | os.O_NONBLOCK
_PAGE_BYTES, _CHUNK_BYTES = 4096, 65536  # an attribute of sysfs is a page at most


class LiveHost(Host):
    """The machine this process runs on, or a tree of files laid out like one.

    Each batch is answered by a reader thread, while the caller watches that it moves on. A thread that waits at one
    question keeps it and all about the same device, and another goes on with the rest: devices that hang are waited for
    side by side. A question that takes longer than the deadline is answered `Unread` and its thread is left behind;
    until that thread comes back, every question about the same device, or one below it, is answered at once.
    """

    def __init__(self, root: str = "/", *, deadline_seconds: float = DEFAULT_DEADLINE_SECONDS) -> None:
        """Open the door.

        Args:
            root: Where the machine's file tree begins.
            deadline_seconds: How long one question may take.
        """
        self._root = root.rstrip("/")
        self._deadline_seconds = deadline_seconds
        self._stuck: dict[str, tuple[str, float]] = {}
        self._hanging = 0  # threads that wait at one question
        self._idle: list[_Reader] = []
        self._lock = threading.Lock()
        self._kernel_log: _KernelLogReader | None = None
        self._uevents: _UeventReader | None = None
        self._end_programs: Callable[[], object] = tuple

    def ask(self, questions: Sequence[Question]) -> list[Answer]:
        """Answer a batch, each question within its deadline."""
        answers: list[Answer | None] = [None] * len(questions)
        if all(isinstance(question, _ANSWERED_AT_ONCE) for question in questions):
            return [self._answer(question) for question in questions]
        batch: _Batch | None = _Batch(questions, answers, range(len(questions)))
        waiting: list[tuple[_Batch, _Reader, float]] = []
        while batch and (reader := self._begin(batch)):
            if (since := _watch(batch, reader, min(HAND_OVER_SECONDS, self._deadline_seconds))) is None:
                self._rest(reader)
                break
            waiting.append((batch, reader, since))
            self._count_hanging(1)
            batch = self._split(batch)
        for batch, reader, since in waiting:
            seconds = JOURNAL_SECONDS if isinstance(batch.question, ReadJournal) else self._deadline_seconds
            if reader.wait(max(0.0, since + seconds - time.monotonic())):
                self._count_hanging(-1)
                self._rest(reader)
            else:
                self._abandon(batch, reader, since)
        return cast("list[Answer]", list(answers))  # a copy: who comes back later writes into the other

    def wait(self, seconds: float, wake_descriptor: int | None = None) -> bool:
        """Sleep until an event, a log record or the caller's own descriptor; see `Host.wait`."""
        streams = [stream.fileno() for stream in (self._kernel_log, self._uevents) if stream]
        if wake_descriptor is not None:
            streams.append(wake_descriptor)
        return bool(select.select(streams, [], [], max(seconds, 0))[0])

    def close(self) -> None:
        """Close the kernel log and the event socket, end the idle reader threads, and other programs that still run."""
        self._end_programs()
        with self._lock:
            readers, self._idle = self._idle, []
        for reader in readers:
            reader.end()
        for stream in (self._kernel_log, self._uevents):
            if stream:
                stream.close()
        self._kernel_log = self._uevents = None

    def _begin(self, batch: "_Batch") -> "_Reader | None":
        """Hand a batch to a thread; where there is none to be had, its questions are answered with the reason."""
        with self._lock:
            hanging = self._hanging
            reader = self._idle.pop() if self._idle and hanging < MOST_HANGING else None
        why = f"{hanging} reads hang, and no more are begun until one comes back"
        if reader is None and hanging < MOST_HANGING:
            try:
                reader = _Reader(self._work)
            except RuntimeError as error:  # the system gives no thread
                why = str(error)
        if reader is not None:
            reader.begin(batch)
            return reader
        for position in batch.positions:
            batch.answers[position] = Unread(name_question(batch.questions[position]), why, Reason.EXHAUSTED, "EAGAIN")
        return None

    def _count_hanging(self, step: int) -> None:
        with self._lock:
            self._hanging += step

    def _rest(self, reader: "_Reader") -> None:
        with self._lock:
            self._idle.append(reader)

    def _split(self, batch: "_Batch") -> "_Batch | None":
        """Leave to a batch that waits what is about the same device, and give the rest as another, if there is any."""
        at = batch.at
        batch.device = device = next(self._find_devices(batch.questions[at]))
        rest = [
            position
            for position in batch.positions
            if position > at and device not in self._find_devices(batch.questions[position])
        ]
        return _Batch(batch.questions, batch.answers, rest) if rest else None

    def _abandon(self, batch: "_Batch", reader: "_Reader", since: float) -> None:
        """Leave a thread behind that overstayed its deadline, and remember its device."""
        question = batch.question
        device = next(self._find_devices(question))
        with self._lock:
            self._stuck[device] = (name_question(question), since)
        reader.abandon(lambda: self._come_back(device))
        for position in batch.positions:
            left = batch.questions[position]
            if batch.answers[position] is None and (batch.device or device) in self._find_devices(left):
                batch.answers[position] = self._find_stuck(left) or self._time_out(left)
        batch.answers[batch.at] = self._time_out(question)

    def _time_out(self, question: Question) -> Unread:
        why = f"no answer within {self._deadline_seconds:g} s"
        return Unread(name_question(question), why, Reason.TIMED_OUT, "ETIMEDOUT")

    def _come_back(self, device: str) -> None:
        with self._lock:
            self._stuck.pop(device, None)
            self._hanging -= 1

    def _work(self, batch: "_Batch", reader: "_Reader") -> None:
        """Answer a batch to its end, or until it is given up; runs in the reader's thread."""
        questions, answers, stuck = batch.questions, batch.answers, self._stuck
        for position in batch.positions:
            if reader.abandoned:
                return
            question = questions[position]
            if batch.device is not None and batch.device not in self._find_devices(question):
                continue  # another thread has it
            batch.at = position
            answers[position] = (self._find_stuck(question) if stuck else None) or self._answer(question)

    def _find_stuck(self, question: Question) -> Unread | None:
        for device in self._find_devices(question):
            if held := self._stuck.get(device):
                what, since = held
                why = f"still waiting for {what} since {time.monotonic() - since:.0f} s"
                return Unread(name_question(question), why, Reason.TIMED_OUT, "ETIMEDOUT")
        return None

    def _find_devices(self, question: Question) -> Iterator[str]:
        """Name what a question could hang on: the device, then all that it is below, the nearest first.

        What a drive answers itself is a device of its own: where it hangs, the kernel's own files about it do not.
        """
        match question:
            case NvmeIdentify(name) | NvmeLog(name) | NvmeFeature(name) | Smartctl(name):
                name = name.removeprefix("/dev/")
                yield name
                path = self._find_folder(name)
            case ReadFile(path) | ReadRange(path):
                path = path.rpartition("/")[0] if path.startswith("/sys/") else path
            case ReadLink(path) | ListFolder(path):
                pass
            case _:
                path = name_question(question)
        while path:
            yield path
            path = path.rpartition("/")[0]

    def _find_folder(self, name: str) -> str:
        """Give the folder of a drive in sysfs, without a word to the drive itself."""
        for link in (f"/sys/class/nvme/{name}", f"/sys/class/block/{name}"):
            with contextlib.suppress(OSError):
                return resolve_link(link, os.readlink(self._root + link))  # noqa: PTH115 (the path is text by contract)
        return ""

    def _answer(self, question: Question) -> Answer:  # noqa: C901, PLR0911, PLR0912 (one arm a question)
        try:
            if type(question) is ReadFile:  # nine questions in ten: the short way
                return self._read_file(question.path)
            match question:
                case ReadFile(path):  # so that the match is whole
                    return self._read_file(path)
                case ReadRange(path, offset, length):
                    return self._read_range(path, offset, length)
                case ReadLink(path):
                    return os.readlink(self._root + path)  # noqa: PTH115 (the path is text by contract)
                case ListFolder(path):
                    return tuple(sorted(os.listdir(self._root + path)))  # noqa: PTH208 (likewise)
                case NvmeIdentify(controller):
                    return self._admin(question, controller, _ADMIN_IDENTIFY, 0, _IDENTIFY_BYTES, _IDENTIFY_CONTROLLER)[
                        1
                    ]
                case NvmeLog(controller, log_id, length):
                    dwords = (length // 4 - 1) << 16
                    cdw10 = log_id | _RETAIN_ASYNCHRONOUS_EVENT | dwords
                    return self._admin(question, controller, _ADMIN_GET_LOG_PAGE, _ALL_NAMESPACES, length, cdw10)[1]
                case NvmeFeature(controller, feature_id, length):
                    value, data = self._admin(question, controller, _ADMIN_GET_FEATURES, 0, length, feature_id)
                    return FeatureValue(value=value, data=data)
                case Smartctl(device):
                    return self._smartctl(name_question(question), device)
                case FileSystem(path):
                    return _file_system(self._root + path)
                case ReadKernelLog():
                    self._kernel_log = self._kernel_log or _KernelLogReader(self._open_kernel_log())
                    return self._kernel_log.read()
                case ReadJournal(boot, lines, since_unix):
                    return self._journal(name_question(question), boot, lines, since_unix)
                case ReadUevents():
                    self._uevents = self._uevents or _UeventReader()
                    return self._uevents.read()
                case ReadClock():
                    return Clock(
                        unix_seconds=time.time(),
                        up_seconds=time.clock_gettime(time.CLOCK_BOOTTIME),
                        monotonic_seconds=time.clock_gettime(time.CLOCK_MONOTONIC),
                    )
        except OSError as error:
            return unread_from_errno(name_question(question), error.errno or errno.EIO)
        except _StatusError as error:
            return unread_from_nvme_status(name_question(question), error.status)
        except MemoryError:
            return unread_from_errno(name_question(question), errno.ENOMEM)
        except ImportError as error:  # libudev is missing, which pyudev says only when it is first needed
            return Unread(name_question(question), f"what reads it is not installed ({error})", Reason.ABSENT)
        except Exception:  # a fence: a thread that ended by it would count as hung for ever
            import logging  # noqa: PLC0415 (only where the program itself is at fault)

            logging.getLogger(__name__).exception("the question for %s failed", name_question(question))
            return Unread(name_question(question), "the program failed; its traceback is in the log", Reason.FAILED)

    def _open(self, path: str) -> int:
        return os.open(self._root + path, READ_FLAGS)

    def _open_kernel_log(self) -> int:
        return os.open(self._root + "/dev/kmsg", READ_FLAGS)

    def _read_file(self, path: str) -> bytes | Unread:
        # Plain descriptors: a pass reads thousands of small files, and a file object costs more than the read.
        descriptor = self._open(path)
        try:
            content = os.read(descriptor, _PAGE_BYTES)
            if len(content) < _PAGE_BYTES and path.startswith("/sys/"):
                return content  # kernfs gives an attribute whole, in one read
            return self._read_on(descriptor, content, path)
        finally:
            os.close(descriptor)

    def _read_on(self, descriptor: int, content: bytes, path: str) -> bytes | Unread:
        parts, total = [content], len(content)
        while content and total <= FILE_LIMIT_BYTES:
            content = os.read(descriptor, _CHUNK_BYTES)
            parts.append(content)
            total += len(content)
        if total > FILE_LIMIT_BYTES:
            return Unread(path, f"larger than {FILE_LIMIT_BYTES} bytes", Reason.MALFORMED, "EFBIG")
        return b"".join(parts)

    def _read_range(self, path: str, offset: int, length: int) -> bytes:
        descriptor = self._open(path)
        try:
            os.lseek(descriptor, offset, os.SEEK_SET)
            return os.read(descriptor, length)
        finally:
            os.close(descriptor)

    def _admin(  # noqa: PLR0913 (the fields of one command)
        self, question: Question, controller: str, opcode: int, namespace: int, length: int, cdw10: int
    ) -> tuple[int, bytes]:
        """Send one of the three reading admin commands; give double word 0 of the completion, and the data."""
        if "/" in controller:
            raise OSError(errno.EINVAL, name_question(question))
        # A buffer that the kernel fills: ctypes gives its address without a copy.
        from ctypes import addressof, create_string_buffer  # noqa: PLC0415 (only where a drive is asked)

        data = create_string_buffer(max(length, 1))
        command = bytearray(
            _PASSTHROUGH.pack(
                opcode, 0, 0, namespace, 0, 0, 0, addressof(data) if length else 0, 0, length,
                cdw10, 0, 0, 0, 0, 0, _KERNELS_OWN_TIMEOUT, 0,
            )
        )  # fmt: skip
        descriptor = os.open(f"{self._root}/dev/{controller}", os.O_RDONLY | os.O_CLOEXEC)
        try:
            status = fcntl.ioctl(descriptor, _NVME_IOCTL_ADMIN_CMD, command, True)  # noqa: FBT003 (the C interface)
        finally:
            os.close(descriptor)
        if status:
            raise _StatusError(status & _STATUS_MASK)
        return _PASSTHROUGH.unpack(command)[-1], data.raw[:length]

    def _smartctl(self, what: str, device: str) -> dict[str, Any] | Unread:
        if self._root:
            return Unread(what, "a tree of files has no drive to ask", Reason.ABSENT, "ENOENT")
        from laneproof_collectors.programs import end_programs, run_program  # noqa: PLC0415 (most machines never need it)

        self._end_programs = end_programs
        # -n standby leaves a sleeping drive asleep. --json=o keeps the text, which the collector reads as well.
        call = ["smartctl", "--json=o", "-x", "-n", "standby", f"/dev/{device.removeprefix('/dev/')}"]
        run = run_program(what, call, deadline_seconds=SMARTCTL_SECONDS, limit_bytes=FILE_LIMIT_BYTES)
        if isinstance(run, Unread):
            return run
        try:
            answer = json.loads(run.output)
        except ValueError as error:
            return Unread(what, f"no JSON from smartctl ({error})", Reason.FAILED, "EIO")
        return (
            cast("dict[str, Any]", answer) if isinstance(answer, dict) else Unread(what, "smartctl's JSON is no object")
        )

    def _journal(self, what: str, boot: int, lines: int, since_unix: float | None) -> tuple[str, ...] | Unread:
        if self._root:
            return Unread(what, "a tree of files has no journal to ask", Reason.ABSENT, "ENOENT")
        from laneproof_collectors.journal import run_journalctl  # noqa: PLC0415 (asked once or twice in a daemon's life)
        from laneproof_collectors.programs import end_programs  # noqa: PLC0415

        self._end_programs = end_programs
        return run_journalctl(what, boot, lines, since_unix)


class _StatusError(Exception):
    """The drive completed a command with a status other than success."""

    def __init__(self, status: int) -> None:
        super().__init__(status)
        self.status = status


@dataclass(slots=True)
class _Batch:
    """Questions, the answers so far, and how far the reader is. Only its own reader thread moves it on."""

    questions: Sequence[Question]
    answers: list[Answer | None]
    positions: Sequence[int]  # those of the questions that are its own
    at: int = -1
    device: str | None = None  # where it waits, and the rest went to another

    @property
    def question(self) -> Question:
        """The one that it is at."""
        return self.questions[self.at]


def _watch(batch: _Batch, reader: "_Reader", seconds: float) -> float | None:
    """Wait until a batch is answered, which is None, or waits at one question: since when."""
    seen, since = -1, 0.0
    while not reader.wait(seconds):
        if batch.at == seen != -1:
            return since
        seen, since = batch.at, time.monotonic() - seconds
    return None


class _Reader:
    """A thread that answers one batch after another. One that hangs is abandoned and ends when its read returns.

    Bare locks stand for the two signals (a batch is there, it is done): they cost a fraction of what events cost.
    """

    def __init__(self, work: Callable[[_Batch, "_Reader"], None]) -> None:
        self._work = work
        self._batch: _Batch | None = None
        self._start, self._done = threading.Lock(), threading.Lock()
        self._start.acquire()
        self._done.acquire()
        self._after: Callable[[], None] | None = None
        self.abandoned = False
        threading.Thread(target=self._run, name="host-reader", daemon=True).start()

    def begin(self, batch: _Batch) -> None:
        self._batch = batch
        self._start.release()

    def wait(self, seconds: float) -> bool:
        """Wait for the batch's end; False where the time was over first."""
        return self._done.acquire(timeout=seconds)

    def end(self) -> None:
        self.abandoned = True
        self._start.release()

    def abandon(self, after: Callable[[], None]) -> None:
        self._after = after
        self.abandoned = True
        self._start.release()  # should it have come back in this very moment, it must not wait for another batch

    def _run(self) -> None:
        while True:
            self._start.acquire()
            batch, self._batch = self._batch, None
            if batch is not None:
                self._work(batch, self)
                batch = None  # its answers are the caller's alone: a journal's are tens of megabytes
                self._done.release()
            if self.abandoned:
                if self._after:
                    self._after()
                return


def _file_system(path: str) -> FileSystemFigures:
    import psutil  # noqa: PLC0415 (most questions need none of it)

    usage = psutil.disk_usage(path)  # its `free` leaves out the blocks that are kept for root
    return FileSystemFigures(
        size_bytes=usage.total,
        free_bytes=usage.total - usage.used,
        available_bytes=usage.free,
        read_only=bool(os.statvfs(path).f_flag & os.ST_RDONLY),
    )


_RECORD_LIMIT_BYTES = 16384  # a record never exceeds this (PRINTKRB_RECORD_MAX and its prefix, kernel/printk)


class _KernelLogReader:
    """``/dev/kmsg``, opened once and read on: one record a read, EPIPE where the ring overran the reader."""

    def __init__(self, descriptor: int) -> None:
        self._descriptor = descriptor
        self._next_sequence = 0  # the ring numbers its records from boot (Documentation/ABI/testing/dev-kmsg)

    def read(self) -> KernelLogRead:
        records: list[str] = []
        lost = 0
        while True:
            try:
                raw = os.read(self._descriptor, _RECORD_LIMIT_BYTES)
            except BlockingIOError:
                break
            except BrokenPipeError:
                continue  # records were overwritten; the gap in the sequence numbers says how many
            if not raw:
                break
            record = raw.decode("utf-8", "backslashreplace")
            lost += self._gap(record)
            records.append(record.rstrip("\n"))
        return KernelLogRead(records=tuple(records), lost=lost)

    def _gap(self, record: str) -> int:
        field = record.split(",", 2)[1] if record.count(",") > 1 else ""
        if not field.isdecimal():
            return 0
        sequence = int(field)
        gap = max(0, sequence - self._next_sequence)  # at the first record: what was overwritten since boot
        self._next_sequence = sequence + 1
        return gap

    def fileno(self) -> int:
        return self._descriptor

    def close(self) -> None:
        os.close(self._descriptor)


class _UeventReader:
    """The kernel's own device events through pyudev, of the subsystems that a storage box's faults show in."""

    SUBSYSTEMS = ("nvme", "pci", "block", "scsi", "net")

    def __init__(self) -> None:
        import pyudev  # noqa: PLC0415 (only the live machine has events)

        # "kernel", not "udev": events come at once and also where no udev daemon runs.
        self._monitor = pyudev.Monitor.from_netlink(pyudev.Context(), source="kernel")
        for subsystem in self.SUBSYSTEMS:
            self._monitor.filter_by(subsystem)
        self._monitor.start()

    def read(self) -> tuple[dict[str, str], ...]:
        events: list[dict[str, str]] = []
        while device := self._monitor.poll(timeout=0):
            event = {
                "action": str(device.action),
                "devpath": str(device.device_path),
                "subsystem": str(device.subsystem),
            }
            event.update({str(key): str(value) for key, value in device.properties.items()})
            events.append(event)
        return tuple(events)

    def fileno(self) -> int:
        return int(self._monitor.fileno())

    def close(self) -> None:
        self._monitor = None
