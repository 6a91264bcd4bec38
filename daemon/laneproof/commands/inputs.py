"""Where a command gets its machine and its declaration from: this box, a recording, or the demo."""

import gzip
import io
import itertools
import os
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from importlib import resources
from pathlib import Path
from typing import BinaryIO

from laneproof.commands.errors import CommandError, file_errors
from laneproof.declaration.build import Build
from laneproof.declaration.file import BuildError, parse_build
from laneproof_collectors.host import Host
from laneproof_collectors.live_host import LiveHost
from laneproof_collectors.recorded_host import RecordedHost
from laneproof_collectors.recording import (
    LONGEST_LINE,
    MOST_VALUES,
    Frame,
    Header,
    RecordingError,
    parse_frames,
    parse_header,
)

DEFAULT_BUILD = "/etc/laneproof/build.toml"
READER_SOCKET = "/run/laneproof/reader.sock"
DEMO_RECORDING = "kelp-1.jsonl.gz"
DEMO_BUILD = "kelp-1.toml"
_LONGEST_BUILD = 1 << 20  # a thousand positions take a quarter of it
_GZIP_MAGIC = b"\x1f\x8b"


@dataclass(frozen=True, slots=True, kw_only=True)
class Recording:
    """An open recording: its header, and its frames as they are read."""

    name: str
    header: Header
    frames: Iterator[Frame]

    def host(self) -> RecordedHost:
        """Give a host that stands before the first frame."""
        return RecordedHost(self.header, self.frames)


def load_build(path: str | None, *, demo: bool = False) -> Build | None:
    """Load the declaration that is named, else the demo's own, else the installed one, which may be missing: None.

    Raises:
        CommandError: A named file is missing (66), not permitted (77), or says what it may not (65).
    """
    if demo and path is None:
        return parse_declaration(_demo_file(DEMO_BUILD).decode(), DEMO_BUILD)
    if path is None and not Path(DEFAULT_BUILD).exists():
        return None
    file = path or DEFAULT_BUILD
    return parse_declaration(read_build_text(file), file)


def read_build_text(path: str) -> str:
    """Read a declaration's text, as `read_text` does."""
    return read_text(path, most_bytes=_LONGEST_BUILD, what="declaration")


def read_text(path: str, *, most_bytes: int, what: str) -> str:
    """Read a file that others may have written, and that should be a `what`.

    Raises:
        CommandError: The file is missing (66), not permitted (77), no text or too long (65).
    """
    with file_errors(path), Path(path).open("rb") as file:
        raw = file.read(most_bytes + 1)
    if len(raw) > most_bytes:
        message = f"{path}: longer than {most_bytes >> 20} MiB, so this is no {what}"
        raise CommandError(message, status=os.EX_DATAERR)
    try:
        return raw.decode()
    except UnicodeDecodeError as error:
        raise CommandError(f"{path}: not UTF-8 text ({error.reason})", status=os.EX_DATAERR) from error


def parse_declaration(text: str, name: str) -> Build:
    """Parse a declaration's text.

    Raises:
        CommandError: It says what it may not (65); a line a problem.
    """
    try:
        return parse_build(text, name=name, list_rules=_list_rules)
    except BuildError as error:
        raise CommandError(str(error), status=os.EX_DATAERR) from error


def _list_rules() -> list[str]:
    from laneproof.rules import RULES  # only a declaration that accepts something pays for it

    return [rule.name for rule in RULES]


def _demo_file(name: str) -> bytes:
    return resources.files("laneproof.demo").joinpath(name).read_bytes()


@contextmanager
def open_lines(path: str | None, *, demo: bool = False) -> Iterator[Iterator[str]]:
    """Open a recording's lines, packed or plain, or the demo's.

    Raises:
        CommandError: It cannot be opened (66, 77), or is damaged (65, when the damage is reached).
    """
    name = path or DEMO_RECORDING
    with file_errors(name):
        is_demo = demo and path is None
        raw: BinaryIO = io.BytesIO(_demo_file(name)) if is_demo else Path(name).open("rb")  # noqa: SIM115 (closed below)
    with raw:
        packed = raw.read(2) == _GZIP_MAGIC
        raw.seek(0)
        yield _lines(gzip.GzipFile(fileobj=raw) if packed else raw, name)


@contextmanager
def open_recording(path: str | None, *, demo: bool = False) -> Iterator[Recording]:
    """Open a recording, its frames not read yet; a frame that is none raises `CommandError` when it is reached.

    Raises:
        CommandError: As `open_lines`, and 65 where it is no recording.
    """
    name = path or DEMO_RECORDING
    with open_lines(path, demo=demo) as lines:
        try:
            header = parse_header(next(lines, ""))
        except RecordingError as error:
            raise CommandError(f"{name}, {error}", status=os.EX_DATAERR) from error
        yield Recording(name=name, header=header, frames=_frames(lines, name))


def _lines(stream: BinaryIO | gzip.GzipFile, name: str) -> Iterator[str]:
    try:
        for number in itertools.count(1):
            line = stream.readline(LONGEST_LINE + 1)
            if len(line) > LONGEST_LINE:
                message = f"{name}, line {number}: longer than {LONGEST_LINE >> 20} MiB, which no recording's is"
                raise CommandError(message, status=os.EX_DATAERR)
            if sum(map(line.count, (b",", b"[", b"{"))) > MOST_VALUES:
                message = f"{name}, line {number}: holds more than {MOST_VALUES} values, which no recording's does"
                raise CommandError(message, status=os.EX_DATAERR)
            if not line:
                return
            yield line.decode().rstrip("\n")
    except (EOFError, zlib.error, UnicodeDecodeError, OSError) as error:
        why = str(error) or type(error).__name__
        raise CommandError(f"{name}: the recording is cut off or damaged ({why})", status=os.EX_DATAERR) from error


def _frames(lines: Iterator[str], name: str) -> Iterator[Frame]:
    try:
        yield from parse_frames(lines)
    except RecordingError as error:
        message = f"{name}, {error}; all frames before it were read"
        raise CommandError(message, status=os.EX_DATAERR) from error


def now_by_clock() -> float:
    """Ask this machine for the time, unix seconds."""
    with open_host(None) as host:
        return host.clock().unix_seconds


def make_host(reader: str | None = None) -> Host:
    """Make the host of this machine: it reads itself, or through the privileged reader that is named or installed."""
    if reader is None and (os.geteuid() == 0 or not os.access(READER_SOCKET, os.W_OK)):
        return LiveHost()
    from laneproof_collectors.reader_host import ReaderHost

    return ReaderHost(reader or READER_SOCKET)


@contextmanager
def open_host(path: str | None, *, demo: bool = False) -> Iterator[Host]:
    """Open the machine to be read: this one, or a recording's last frame.

    Raises:
        CommandError: As `open_recording`, and 65 for a recording without a frame.
    """
    if path is None and not demo:
        host = make_host()
        try:
            yield host
        finally:
            host.close()
        return
    with open_recording(path, demo=demo) as recording:
        recorded = recording.host()
        if not recorded.advance():
            raise CommandError(f"{recording.name}: the recording has no frame", status=os.EX_DATAERR)
        while recorded.advance():
            pass
        yield recorded
