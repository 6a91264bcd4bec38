"""The evidence ring: what held before a disconnect and what followed, written at once to a folder of its own.

The folder need not be on the drives that are watched, and should not: a drive that goes takes its evidence with it. A
thread of its own writes, so that a folder that hangs holds up nobody; each batch of lines is on its medium
(fdatasync(2)) before the next. A few files of JSON lines follow one another, and the oldest one goes.

Rules of this module: what cannot be written is counted and said, and ends nothing; nothing here reads the machine.
"""

import contextlib
import json
import logging
import os
import queue
import re
import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from threading import Thread
from typing import Any

_log = logging.getLogger(__name__)

FILES = 8
FILE_BYTES = 2 << 20
"""So much evidence is kept: 16 MiB, which on a box of eight drives is some hundreds of moments."""
MOST_WAITING = 500
"""How many batches wait at most for a folder that hangs."""
CLOSE_SECONDS = 2.0
_FILE = re.compile(r"evidence-(\d{6,})\.jsonl")
_Lines = Sequence[Mapping[str, Any]]


@dataclass(frozen=True, slots=True, kw_only=True)
class RingState:
    """How the ring stands.

    Attributes:
        written_bytes: How much was written since the start.
        failures: How many batches could not be written.
        problem: Why the last one could not, None where it could.
        delay_seconds: How long after it was read the last event lay on the medium, None before one.
    """

    folder: str
    written_bytes: int = 0
    failures: int = 0
    problem: str | None = None
    delay_seconds: float | None = None


class EvidenceRing:
    """Writes lines of evidence; `put` never waits."""

    def __init__(self, folder: str, *, files: int = FILES, file_bytes: int = FILE_BYTES) -> None:
        """Begin; the folder is made with the first line, and keeps so many files of so many bytes."""
        self._folder, self._files, self._file_bytes = Path(folder), files, file_bytes
        self._waiting: queue.Queue[tuple[_Lines, float | None] | None] = queue.Queue(MOST_WAITING)
        self._descriptor: int | None = None
        self.state = RingState(folder=folder)
        self._thread = Thread(target=self._work, name="evidence-ring", daemon=True)
        self._thread.start()

    def put(self, lines: _Lines, *, read_at: float | None = None) -> None:
        """Have lines written at once.

        Args:
            lines: JSON objects.
            read_at: When the event that they report was read, by the monotonic clock; None where they report none.
        """
        if not lines:
            return
        try:
            self._waiting.put_nowait((lines, read_at))
        except queue.Full:
            self._fail(f"{self._folder} does not take what is written to it")

    def close(self) -> None:
        """Write what waits, and end; a folder that hangs is left to the process's end."""
        end = time.monotonic() + CLOSE_SECONDS
        try:
            self._waiting.put(None, timeout=CLOSE_SECONDS)
        except queue.Full:
            return
        self._thread.join(max(0.0, end - time.monotonic()))

    # --- the thread that writes ---------------------------------------------------------------------------------------

    def _work(self) -> None:
        while (batch := self._waiting.get()) is not None:
            lines, read_at = batch
            try:
                size = self._write(lines)
            except OSError as error:
                self._close_file()
                self._fail(f"{error.filename or self._folder}: {(error.strerror or str(error)).lower()}")
                continue
            if self.state.problem is not None:
                _log.warning("evidence is written to %s again", self._folder)
            delay = self.state.delay_seconds if read_at is None else time.monotonic() - read_at
            self.state = replace(
                self.state, written_bytes=self.state.written_bytes + size, problem=None, delay_seconds=delay
            )
        self._close_file()

    def _fail(self, why: str) -> None:
        if self.state.problem is None:
            _log.error("evidence cannot be written: %s", why)
        self.state = replace(self.state, failures=self.state.failures + 1, problem=why)

    def _write(self, lines: _Lines) -> int:
        content = "".join(json.dumps(line, separators=(",", ":"), default=str) + "\n" for line in lines).encode()
        if self._descriptor is None:
            self._descriptor = self._open()
        descriptor = self._descriptor
        rest = memoryview(content)
        while rest:
            rest = rest[os.write(descriptor, rest) :]
        os.fdatasync(descriptor)
        if os.fstat(descriptor).st_size >= self._file_bytes:
            self._close_file()
        return len(content)

    def _open(self) -> int:
        """Go on with the newest file where it has room, or begin the next one and remove the oldest."""
        self._folder.mkdir(mode=0o750, parents=True, exist_ok=True)
        numbers = sorted(int(match[1]) for file in self._folder.iterdir() if (match := _FILE.fullmatch(file.name)))
        newest = numbers[-1] if numbers else 0
        if not numbers or self._path(newest).stat().st_size >= self._file_bytes:
            newest += 1
            numbers.append(newest)
        for old in numbers[: -self._files]:
            self._path(old).unlink(missing_ok=True)
        flags = os.O_RDWR | os.O_CREAT | os.O_APPEND | os.O_NOFOLLOW | os.O_CLOEXEC
        descriptor = os.open(self._path(newest), flags, 0o660)
        with contextlib.suppress(OSError):  # a stick may keep no permissions
            # the service's user may be another after its next start; the group of the folder stays
            os.fchmod(descriptor, 0o660)
        size = os.fstat(descriptor).st_size
        if size and os.pread(descriptor, 1, size - 1) != b"\n":
            os.write(descriptor, b"\n")  # the machine stopped within a line; what follows is not to be lost with it
        return descriptor

    def _path(self, number: int) -> Path:
        return self._folder / f"evidence-{number:06}.jsonl"

    def _close_file(self) -> None:
        if self._descriptor is not None:
            os.close(self._descriptor)
            self._descriptor = None
