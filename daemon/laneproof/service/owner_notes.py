"""The owner's notes and confirmed causes: left in a file, kept in the daemon's history, given to its engine.

The history has one writer, the daemon. A command adds a line to the file; the daemon takes the
lines at its next pass, or at its next start where it does not run.
"""

import json
import logging
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path

from laneproof.history.earlier_names import rename_note
from laneproof.history.notes import CONFIRMED, NOTE, PROOF, PROOF_BEGAN, KeptNote
from laneproof.line_inbox import forget_lines, leave_line, take_lines
from laneproof.past.notes import AFTER_RUN_SECONDS, ConfirmedCause, Note, ProofNote, parse_note
from laneproof.proof.judgement import judge
from laneproof.proof.run_record import ProofRun
from laneproof.service.run_lock import is_run_dead

_log = logging.getLogger(__name__)

FILE = "notes.jsonl"
"""Its name, in the folder of the history."""
_EARLIER_FILE = "told.jsonl"  # where a command of an earlier version left them


class Inbox:
    """The file in which commands leave the owner's notes."""

    def __init__(self, folder: str | Path, now: Callable[[], float] | None = None) -> None:
        """Name it; nothing is opened yet.

        Args:
            folder: The folder of the history.
            now: Gives unix seconds, to whom also wants to know of acceptance runs that were killed.
        """
        self._folder, self._now = Path(folder), now
        self._file = Path(folder) / FILE
        self._files = (self._file.with_name(_EARLIER_FILE), self._file)
        self._problem: str | None = None

    def add(self, note: KeptNote) -> None:
        """Leave a note for the daemon.

        Raises:
            OSError: The file cannot be written.
        """
        line = json.dumps({"t": note.t, "kind": note.kind, "text": note.text, "path": note.path, "drive": note.drive,
                           "detail": dict(note.detail)})  # fmt: skip
        leave_line(self._file, line, mode=0o640)

    def read(self) -> tuple[KeptNote, ...] | None:
        """Read what was left; a line that is no note is logged and passed over. None where it cannot be read."""
        try:
            lines = [line for file in self._files for line in take_lines(file)]
        except OSError as error:
            self._report(error)
            return None
        left = tuple(note for line in lines if line.strip() and (note := _parse(line)) is not None)
        if self._now is not None and is_run_dead(self._folder):
            left += (end_run("the acceptance run was killed, and left no record", at=self._now()),)
        return left

    def clear(self) -> None:
        """Delete what was read, once it is kept; what cannot be deleted is read again, and kept once all the same."""
        try:
            for file in self._files:
                forget_lines(file)
        except OSError as error:
            self._report(error)

    def _report(self, error: OSError) -> None:
        """Report a problem once, not with each pass."""
        problem = f"{error.filename or self._file}: {(error.strerror or str(error)).lower()}"
        if problem != self._problem:
            self._problem = problem
            _log.warning("the owner's notes cannot be taken: %s", problem)


def end_run(text: str, *, at: float) -> KeptNote:
    """Make the note that a run has ended without a record: what is counted is the box's own again."""
    return KeptNote(t=at, kind=PROOF_BEGAN, text=text, detail={"until": at + AFTER_RUN_SECONDS})


def _parse(line: str) -> KeptNote | None:
    try:
        left = json.loads(line)
        # a command of the version before may have left it
        kind, text, detail = rename_note(str(left["kind"]), str(left["text"]), dict(left.get("detail") or {}))
        path, drive = str(left.get("path", "")), str(left.get("drive", ""))
        return KeptNote(t=float(left["t"]), kind=kind, text=text, path=path, drive=drive, detail=detail)
    except (ValueError, KeyError, TypeError) as error:
        _log.warning("passed over a line that is no note (%s): %.80s", error, line)
        return None


def sort_notes(
    kept: Iterable[KeptNote], labels: tuple[str, ...]
) -> tuple[tuple[Note, ...], tuple[ConfirmedCause, ...]]:
    """Make of kept notes what the engine takes: notes, which may name other labels, and causes that turned out."""
    notes, confirmed = [], []
    for note in kept:
        detail = note.detail
        episode, cause = detail.get("episode"), detail.get("cause")
        if note.kind == CONFIRMED and isinstance(episode, int | None) and isinstance(cause, str):
            evidence = {str(name): seen for name, seen in dict(detail.get("evidence") or {}).items()}
            confirmed.append(ConfirmedCause(at=note.t, episode=episode, cause=cause, evidence=evidence))
        elif note.kind == NOTE:
            position = detail.get("position")
            label = position if isinstance(position, str) else None
            notes.append(parse_note(note.text, at=note.t, position=label, labels=labels))
    return tuple(notes), tuple(confirmed)


def find_runs(kept: Iterable[KeptNote]) -> tuple[ProofRun, ...]:
    """Find the acceptance runs among kept notes; one that cannot be read is logged and passed over."""
    runs = []
    for note in kept:
        if note.kind == PROOF:
            try:
                runs.append(ProofRun.model_validate(note.detail))
            except ValueError as error:
                _log.warning("passed over the record of a run that cannot be read: %.200s", error)
    return tuple(runs)


def find_proofs(kept: Iterable[KeptNote]) -> Iterator[ProofNote]:
    """Find what kept notes say of acceptance runs: that one began, and what one showed."""
    for note in kept:
        if note.kind == PROOF_BEGAN and isinstance(until := note.detail.get("until"), float | int):
            yield ProofNote(at=note.t, until=float(until))
        for run in find_runs((note,)):
            shown = {position.name: position.features for position in judge(run).positions}
            yield ProofNote(at=note.t, features={drive.path: (drive.serial, shown[drive.name]) for drive in run.drives})
