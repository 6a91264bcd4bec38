"""The machine that this process runs on: the one place that touches what is judged.

Rules of this module: only here does the program open a file of the machine, run a command on it, send a drive a
command, or ask the time. Drives are sent three admin commands only (Identify, Get Log Page, Get Features), and nothing
is ever written.

What it does not do: it parses nothing. Meaning is made in the collectors.
"""

import contextlib
import errno
import fcntl
import json
import os
import select
import struct
import time
from typing import Any

from laneproof_collectors.host import resolve_link
from laneproof_collectors.hung_devices import DEFAULT_DEADLINE_SECONDS, DeadlineHost
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

SMARTCTL_SECONDS = 20.0
"""When smartctl is ended: the question is given up before, and its drive is left alone until then."""

FILE_LIMIT_BYTES = 1 << 20
"""A file of the machine larger than this is not what we think it is (sysfs attributes end at 4096 bytes)."""
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

READ_FLAGS = os.O_RDONLY | os.O_CLOEXEC | os.O_NONBLOCK
_PAGE_BYTES, _CHUNK_BYTES = 4096, 65536  # an attribute of sysfs is a page at most


class LiveHost(DeadlineHost):
    """The machine this process runs on, or a tree of files laid out like one."""

    def __init__(self, root: str = "/", *, deadline_seconds: float = DEFAULT_DEADLINE_SECONDS) -> None:
        """Reach this machine, or one whose file tree begins elsewhere."""
        super().__init__(deadline_seconds)
        self._root = root.rstrip("/")
        self._kernel_log: _KernelLogReader | None = None
        self._uevents: _UeventReader | None = None
        self._runs_programs = False

    def wait(self, seconds: float, wake_descriptor: int | None = None) -> bool:
        """Sleep until an event, a log record or the caller's own descriptor; see `Host.wait`."""
        streams = [stream.fileno() for stream in (self._kernel_log, self._uevents) if stream]
        if wake_descriptor is not None:
            streams.append(wake_descriptor)
        return bool(select.select(streams, [], [], max(seconds, 0))[0])

    def close(self) -> None:
        """Close the kernel log and the event socket, end the idle reader threads, and other programs that still run."""
        if self._runs_programs:
            from laneproof_collectors.programs import end_programs  # noqa: PLC0415 (most machines never need it)

            end_programs()
        super().close()
        for stream in (self._kernel_log, self._uevents):
            if stream:
                stream.close()
        self._kernel_log = self._uevents = None

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
                    wanted = _IDENTIFY_BYTES, _IDENTIFY_CONTROLLER
                    return self._admin(question, controller, _ADMIN_IDENTIFY, 0, *wanted)[1]
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
        from laneproof_collectors.programs import run_program  # noqa: PLC0415 (most machines never need it)

        self._runs_programs = True
        # -n standby leaves a sleeping drive asleep. --json=o keeps the text, which the collector reads as well.
        call = ["smartctl", "--json=o", "-x", "-n", "standby", f"/dev/{device.removeprefix('/dev/')}"]
        run = run_program(what, call, deadline_seconds=SMARTCTL_SECONDS, limit_bytes=FILE_LIMIT_BYTES)
        if isinstance(run, Unread):
            return run
        try:
            answer = json.loads(run.output)
        except ValueError as error:
            return Unread(what, f"no JSON from smartctl ({error})", Reason.FAILED, "EIO")
        return answer if isinstance(answer, dict) else Unread(what, "smartctl's JSON is no object")

    def _journal(self, what: str, boot: int, lines: int, since_unix: float | None) -> tuple[str, ...] | Unread:
        if self._root:
            return Unread(what, "a tree of files has no journal to ask", Reason.ABSENT, "ENOENT")
        from laneproof_collectors.journal import run_journalctl  # noqa: PLC0415 (asked once or twice in a daemon's life)

        self._runs_programs = True
        return run_journalctl(what, boot, lines, since_unix)


class _StatusError(Exception):
    """The drive completed a command with a status other than success."""

    def __init__(self, status: int) -> None:
        super().__init__(status)
        self.status = status


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

    def __init__(self) -> None:
        import pyudev  # noqa: PLC0415 (only the live machine has events)

        from laneproof_collectors.hotplug import SUBSYSTEMS  # noqa: PLC0415 (likewise)

        # "kernel", not "udev": events come at once and also where no udev daemon runs.
        self._monitor = pyudev.Monitor.from_netlink(pyudev.Context(), source="kernel")
        for subsystem in SUBSYSTEMS:
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
