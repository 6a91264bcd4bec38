"""``laneproof record``: raw readings of this machine, pass by pass, in a file that judges them elsewhere."""

import argparse
import contextlib
import gzip
import itertools
import os
import time
from collections.abc import Iterator
from contextlib import contextmanager
from typing import IO

from laneproof.commands.errors import CommandError
from laneproof.commands.history_file import find_history, open_history
from laneproof.commands.inputs import make_host, open_lines
from laneproof.commands.whole_file import create_new
from laneproof.history.notes import CONFIRMED, NOTE, KeptNote
from laneproof_collectors.anonymity import SerialHider
from laneproof_collectors.collection import make_collectors, read_snapshot
from laneproof_collectors.recorder import RecordingHost
from laneproof_collectors.recording import OwnerCause, OwnerNote, RecordingError, parse_frames, parse_header


def run(arguments: argparse.Namespace) -> int:
    """Record the passes asked for, or copy a recording; an interrupt ends it with all frames so far kept."""
    copies = arguments.source or arguments.demo
    lines = _copy(arguments.source) if copies else _record(arguments.every, arguments.passes, arguments.state)
    if arguments.hide_serials:
        lines = SerialHider().hide(lines)
    # The first line is asked for before the file is made: a source that cannot be read leaves none behind.
    first = next(lines)
    with _create(arguments.out) as out, contextlib.suppress(KeyboardInterrupt):
        for line in itertools.chain((first,), lines):
            try:
                out.write(line.encode() + b"\n")
                out.flush()
            except OSError as error:
                why = (error.strerror or str(error)).lower()
                raise CommandError(f"{arguments.out}: cannot be written: {why}", status=os.EX_IOERR) from error
    return 0


def _copy(source: str | None) -> Iterator[str]:
    """Give a recording's lines, the demo's where none is named; what is no recording is not copied."""
    with open_lines(source, demo=True) as lines:
        read: list[str] = []

        def remember() -> Iterator[str]:
            for line in lines:
                read.append(line)
                yield line

        try:
            header = next(remember(), "")
            parse_header(header)
            yield header
            for _ in parse_frames(remember()):
                yield read[-1]
                read.clear()
        except RecordingError as error:
            so_far = "; all before it was copied" if error.line > 1 else ""
            raise CommandError(f"{source}, {error}{so_far}", status=os.EX_DATAERR) from error


def _record(every_seconds: float, passes: int, state: str | None) -> Iterator[str]:
    recorder = RecordingHost(make_host())
    collectors, notes = make_collectors(), NewNotes(state, recorder.clock().unix_seconds)
    try:
        yield recorder.header()
        for number in range(passes):
            if number:
                time.sleep(every_seconds)
            read_snapshot(recorder, collectors)
            recorder.kernel_log()
            recorder.uevents()
            yield recorder.take_frame(*notes.read())
    finally:
        recorder.close()


class NewNotes:
    """The notes that the daemon of this machine keeps while it is recorded; none where there is no such history."""

    def __init__(self, state: str | None, since: float) -> None:
        """Begin with what is noted from now on, unix seconds, in the daemon's folder."""
        self._state, self._since = state, since
        self._seen = 0

    def read(self) -> tuple[list[OwnerNote], list[OwnerCause]]:
        """Read the notes and the confirmed causes that are new since the last time."""
        try:
            with open_history(find_history(self._state)) as history:
                kept = history.read_notes(since=self._since)
        except CommandError:
            return [], []
        new, self._seen = kept[self._seen :], len(kept)
        notes = [OwnerNote(position=_label_of(note), text=note.text) for note in new if note.kind == NOTE]
        causes = [
            OwnerCause(position=_label_of(note) or note.path, cause=str(note.detail.get("cause")))
            for note in new
            if note.kind == CONFIRMED
        ]
        return notes, causes


def _label_of(note: KeptNote) -> str | None:
    label = note.detail.get("position")
    return label if isinstance(label, str) else None


@contextmanager
def _create(path: str) -> Iterator[IO[bytes]]:
    with create_new(path) as stream:
        if path.endswith(".gz"):
            with gzip.GzipFile(fileobj=stream, mode="wb") as packed:
                yield packed  # type: ignore[misc]  # a GzipFile writes bytes as any binary file does
        else:
            yield stream
