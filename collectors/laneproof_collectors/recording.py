"""The format of recordings: raw inputs of one or many passes, enough to run everything again elsewhere.

A recording is JSON lines: a header, then a frame a line that holds only what changed since the one before. Making one
is ``recorder.py``'s, answering from one ``recorded_host.py``'s.

Rules of this module: text in, values out; the file itself is opened by whoever owns it.
"""

import base64
import binascii
from collections.abc import Iterable, Iterator
from typing import Annotated, Any, Literal, TypeVar

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, ValidationError

FORMAT = "laneproof-recording"
VERSION = 1
BOOT_ID_PATH = "/proc/sys/kernel/random/boot_id"
KERNEL_PATH = "/proc/sys/kernel/osrelease"
HOST_NAME_PATH = "/proc/sys/kernel/hostname"

LONGEST_LINE = 64 << 20
"""Bytes: a real machine's first frame took 41 million, one whose folders were all taken along."""
MOST_VALUES = 1_000_000
"""How many values a line may hold: each takes some hundred bytes of memory, however short it is written."""
MOST_HELD = 256 << 20
"""Bytes that the frames of one boot may add up to, as `_weigh` counts them."""
DEEPEST_PATH = 128
"""Parts of a path: that of a drive behind many switches has some twenty."""
_ENTRY_BYTES = 200  # what Python needs for a short text and its places in tables, about
_VALUE_FACTOR = 16  # a list of two characters of JSON takes some sixty bytes

_END_OF_TIME = 253_402_300_800  # the year 10000: no date can be written beyond


class RecordingError(ValueError):
    """A recording cannot be read further: which line, and why. What stood before it is good."""

    def __init__(self, line: int, why: str) -> None:
        """Say where and why."""
        super().__init__(f"line {line}: {why}")
        self.line = line


def _from_base64(value: object) -> object:
    if not isinstance(value, str):
        return value
    try:
        return base64.b64decode(value, validate=True)
    except binascii.Error as error:
        raise ValueError(f"not base64 ({error})") from error


_Base64 = Annotated[bytes, BeforeValidator(_from_base64)]


class Header(BaseModel):
    """The first line."""

    model_config = ConfigDict(frozen=True, defer_build=True)

    format: Literal["laneproof-recording"]
    version: Literal[1]
    host: str | None = None
    kernel: str | None = None
    boot_id: str | None = None


class OwnerNote(BaseModel):
    """What the owner wrote of a position, or of the whole box."""

    model_config = ConfigDict(extra="forbid", frozen=True, defer_build=True)

    position: str | None = None
    text: str


class OwnerCause(BaseModel):
    """What the owner found the cause at a position to be."""

    model_config = ConfigDict(extra="forbid", frozen=True, defer_build=True)

    position: str
    cause: str


class Frame(BaseModel):
    """What changed since the frame before. Source: the recording format, version 1, in docs/recordings.md."""

    model_config = ConfigDict(extra="forbid", frozen=True, defer_build=True)

    t: float = Field(ge=0, lt=_END_OF_TIME, allow_inf_nan=False)
    up: float | None = Field(default=None, allow_inf_nan=False)
    mono: float | None = Field(default=None, allow_inf_nan=False)
    boot_id: str | None = None
    files: dict[str, str] = Field(default_factory=dict)
    binary: dict[str, _Base64] = Field(default_factory=dict)
    errors: dict[str, str] = Field(default_factory=dict)
    links: dict[str, str] = Field(default_factory=dict)
    dirs: tuple[str, ...] = ()
    gone: tuple[str, ...] = ()
    nvme: dict[str, dict[str, Any] | None] = Field(default_factory=dict)
    smartctl: dict[str, dict[str, Any] | None] = Field(default_factory=dict)
    statvfs: dict[str, dict[str, Any] | None] = Field(default_factory=dict)
    kmsg: tuple[str, ...] = ()
    uevents: tuple[dict[str, str], ...] = ()
    notes: tuple[OwnerNote, ...] = ()
    confirmed: tuple[OwnerCause, ...] = ()


def parse_header(line: str) -> Header:
    """Parse a recording's first line.

    Raises:
        RecordingError: It is no header of a recording that this version reads.
    """
    return _validate(Header, line, 1)


def parse_frames(lines: Iterable[str]) -> Iterator[Frame]:
    """Parse the frames, one a line after the header; empty lines are passed over.

    Yields:
        One frame a line.

    Raises:
        RecordingError: A line is no frame (the last one of a recording that was cut off, say), or all adds up to more
            than a machine could hold.
    """
    sizes: dict[tuple[str, ...], int] = {}
    held, boot_id = 0, None
    for number, line in enumerate(lines, start=2):
        if not line.strip():
            continue
        frame = _validate(Frame, line, number)
        if frame.boot_id not in (None, boot_id):
            sizes, held, boot_id = {}, 0, frame.boot_id
        for key, size in _weigh(frame, number):
            held += size - sizes.get(key, 0)
            sizes[key] = size
        held += sum(_ENTRY_BYTES + len(record) for record in frame.kmsg)
        held += sum(_ENTRY_BYTES + _VALUE_FACTOR * len(event) for event in frame.uevents)
        if held > MOST_HELD:
            raise RecordingError(number, f"all up to here takes more than {MOST_HELD >> 20} MiB, more than is read")
        yield frame


def _weigh(frame: Frame, number: int) -> Iterator[tuple[tuple[str, ...], int]]:
    """Give what each entry of a frame takes in memory, about: a packed file may unpack to a thousand times its size."""
    for path, content in _list_paths(frame):
        if (parts := path.count("/")) > DEEPEST_PATH:
            raise RecordingError(number, f"a path of {parts} parts: {path[:40]}...")
        yield (path,), len(content) + parts * (_ENTRY_BYTES + len(path) // 2)  # each folder above it is known by itself
    for kind, tables in (("nvme", frame.nvme), ("smartctl", frame.smartctl), ("statvfs", frame.statvfs)):
        for name, table in tables.items():
            for key, value in (table or {}).items():
                size = len(value) if isinstance(value, str) else _VALUE_FACTOR * len(repr(value))
                yield (kind, name, key), _ENTRY_BYTES + len(name) + len(key) + size


def _list_paths(frame: Frame) -> Iterator[tuple[str, str | bytes]]:
    for entries in (frame.files, frame.binary, frame.errors, frame.links):
        yield from entries.items()
    for path in frame.dirs:
        yield path, ""


_Model = TypeVar("_Model", bound=BaseModel)


def _validate(model: type[_Model], line: str, number: int) -> _Model:
    try:
        return model.model_validate_json(line)
    except ValidationError as error:
        first = error.errors(include_url=False, include_context=False)[0]
        where = ".".join(str(part) for part in first["loc"])
        what = "header of a recording" if model is Header else "frame of a recording"
        raise RecordingError(number, f"not the {what}: {f'{where}: ' if where else ''}{first['msg']}") from error
