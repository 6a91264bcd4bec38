"""The closed set of questions that a host answers, and the answers: plain values, the same live and recorded.

A failure is an answer too: the functions at the end turn an errno or an NVMe status into one.
"""

import errno
import os
from dataclasses import dataclass
from typing import Any

from laneproof_collectors.unread import Reason, Unread


@dataclass(frozen=True, slots=True)
class ReadFile:
    """The whole content of a file: `bytes`."""

    path: str


@dataclass(frozen=True, slots=True)
class ReadRange:
    """Part of a file, such as one capability in ``config``: `bytes`, fewer than asked at the file's end."""

    path: str
    offset: int
    length: int


@dataclass(frozen=True, slots=True)
class ReadLink:
    """A symbolic link's raw target: `str`."""

    path: str


@dataclass(frozen=True, slots=True)
class ListFolder:
    """The names in a folder, sorted: `tuple[str, ...]`."""

    path: str


@dataclass(frozen=True, slots=True)
class NvmeIdentify:
    """The Identify Controller structure (CNS 01h): 4096 `bytes`."""

    controller: str


@dataclass(frozen=True, slots=True)
class NvmeLog:
    """A log page of a controller, retained events left pending: `bytes` of the length asked (a multiple of 4)."""

    controller: str
    log_id: int
    length: int


@dataclass(frozen=True, slots=True)
class NvmeFeature:
    """The current value of a feature and, where `length` is not 0, its data: `FeatureValue`."""

    controller: str
    feature_id: int
    length: int = 0


@dataclass(frozen=True, slots=True)
class Smartctl:
    """What smartctl says of a device, its text output included: a `dict` as smartctl's JSON. Never wakes a drive."""

    device: str


@dataclass(frozen=True, slots=True)
class FileSystem:
    """The figures of the file system mounted at a path: `FileSystemFigures`."""

    path: str


@dataclass(frozen=True, slots=True)
class ReadKernelLog:
    """The kernel log records since this was last asked of this host: `KernelLogRead`."""


@dataclass(frozen=True, slots=True)
class ReadJournal:
    """The kernel's messages of one boot as the journal kept them, oldest first: `tuple[str, ...]`, a JSON object each.

    For what the ring did not give: what was said before the program began, or in a boot before.
    """

    boot: int = 0  # 0 is this boot, -1 the one before
    lines: int = 20_000  # at most, the latest
    since_unix: float | None = None  # not before this, by the clock at which each was received


@dataclass(frozen=True, slots=True)
class ReadUevents:
    """The kernel's device events since this was last asked of this host: `tuple[dict[str, str], ...]`."""


@dataclass(frozen=True, slots=True)
class ReadClock:
    """The time: `Clock`."""


Question = (
    ReadFile
    | ReadRange
    | ReadLink
    | ListFolder
    | NvmeIdentify
    | NvmeLog
    | NvmeFeature
    | Smartctl
    | FileSystem
    | ReadKernelLog
    | ReadJournal
    | ReadUevents
    | ReadClock
)


@dataclass(frozen=True, slots=True, kw_only=True)
class FeatureValue:
    """A feature's completion value (double word 0) and its data buffer, empty where none was asked."""

    value: int
    data: bytes = b""


@dataclass(frozen=True, slots=True, kw_only=True)
class FileSystemFigures:
    """Figures of one file system, from statvfs(3)."""

    size_bytes: int
    free_bytes: int
    available_bytes: int
    read_only: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class KernelLogRead:
    """Raw ``/dev/kmsg`` records, oldest first, and how many were lost before or between them."""

    records: tuple[str, ...] = ()
    lost: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Clock:
    """One instant by three clocks: unix seconds (can step), seconds since boot (cannot), and those without suspend.

    Kernel messages are stamped by the third. Source: clock_gettime(2), ``CLOCK_BOOTTIME`` and ``CLOCK_MONOTONIC``;
    Documentation/core-api/timekeeping.rst.
    """

    unix_seconds: float
    up_seconds: float
    monotonic_seconds: float | None = None  # None: a recording that does not hold it

    @property
    def kernel_seconds(self) -> float:
        """The instant as a kernel message would be stamped: without suspend, as far as that is known."""
        return self.up_seconds if self.monotonic_seconds is None else self.monotonic_seconds


Answer = (
    bytes
    | str
    | tuple[str, ...]
    | FeatureValue
    | dict[str, Any]
    | FileSystemFigures
    | KernelLogRead
    | tuple[dict[str, str], ...]
    | Clock
    | Unread
)


_REASONS = {
    errno.ENOENT: (Reason.ABSENT, "there is no such file"),
    errno.ENOTDIR: (Reason.ABSENT, "there is no such file"),
    errno.EACCES: (Reason.DENIED, "permission denied"),
    errno.EPERM: (Reason.DENIED, "not permitted"),
    errno.ENODEV: (Reason.GONE, "the device is gone"),
    errno.ENXIO: (Reason.GONE, "the device is gone"),
    errno.EMFILE: (Reason.EXHAUSTED, "this program has as many files open as it may"),
    errno.ENFILE: (Reason.EXHAUSTED, "the machine has as many files open as it may"),
    errno.ENOMEM: (Reason.EXHAUSTED, "there is no memory for it"),
    errno.ETIMEDOUT: (Reason.TIMED_OUT, "the device did not answer in time"),
}


def unread_from_errno(what: str, number: int) -> Unread:
    """Turn an errno into the value that travels, with the errno's name as detail."""
    name = errno.errorcode.get(number, str(number))
    reason, why = _REASONS.get(number, (Reason.FAILED, os.strerror(number).lower()))
    return Unread(what, f"{why} ({name})", reason, name)


def unread_from_nvme_status(what: str, status: int) -> Unread:
    """Turn an NVMe completion status into the value that travels, with the status in decimal as detail.

    The kernel's passthrough returns the status code type in bits 10:8 and the status code in bits 7:0.
    """
    code_type, code = status >> 8 & 0x7, status & 0xFF
    why = f"the drive answered status code type {code_type}h, status code {code:02X}h"
    return Unread(what, why, Reason.REFUSED, str(status))


def name_question(question: Question) -> str:  # noqa: C901, PLR0911 (one arm a question)
    """Name what a question asks for, for the sentence that a person will see."""
    match question:
        case ReadFile(path) | ReadRange(path) | ReadLink(path) | ListFolder(path):
            return path
        case NvmeIdentify(controller):
            return f"Identify of {controller}"
        case NvmeLog(controller, log_id):
            return f"log {log_id:02X}h of {controller}"
        case NvmeFeature(controller, feature_id):
            return f"feature {feature_id:02X}h of {controller}"
        case Smartctl(device):
            return f"smartctl of {device}"
        case FileSystem(path):
            return f"file system at {path}"
        case ReadKernelLog():
            return "the kernel log"
        case ReadJournal(boot):
            return "the journal of this boot" if boot == 0 else f"the journal of boot {boot}"
        case ReadUevents():
            return "the kernel's device events"
        case ReadClock():
            return "the clock"
