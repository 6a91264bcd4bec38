"""The owner's notes and confirmed causes, in the owner's own words."""

import json
import sqlite3
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from laneproof.history.batch import Batch
from laneproof.history.compressed_json import parse_detail

NOTE, CONFIRMED = "note", "confirmed"
PROOF_BEGAN, PROOF = "proof_began", "proof"  # an acceptance run; the second with its record


@dataclass(frozen=True, slots=True, kw_only=True)
class KeptNote:
    """One note."""

    t: float
    kind: str  # `NOTE`, `CONFIRMED` for a cause that turned out, or one of an acceptance run
    text: str
    path: str = ""  # the position's path, empty for the whole box
    drive: str = ""  # the serial number of the drive that was in it, empty for none
    # further fields (JSON values): the position's label, the episode, the cause
    detail: Mapping[str, Any] = field(default_factory=dict)


def write_note(note: KeptNote, to: Batch) -> None:
    """Keep one note."""
    detail = json.dumps(note.detail, default=str) if note.detail else None
    row = (to.next_number("notes"), note.t, note.kind, note.path, note.drive, note.text, detail)
    to.add("INSERT INTO notes (id, t, kind, path, drive, text, detail) VALUES (?, ?, ?, ?, ?, ?, ?)", row)


def is_kept(connection: sqlite3.Connection, note: KeptNote) -> bool:
    """Whether a note is kept already: a run that ended before it could forget what it read reads it again."""
    asked = "SELECT 1 FROM notes WHERE t = ? AND kind = ? AND text = ? AND path = ? AND drive = ? LIMIT 1"
    return connection.execute(asked, (note.t, note.kind, note.text, note.path, note.drive)).fetchone() is not None


def read_notes(connection: sqlite3.Connection, *, since: float | None = None) -> tuple[KeptNote, ...]:
    """Read the notes since a time, oldest first."""
    asked = "SELECT t, kind, text, path, drive, detail FROM notes WHERE t >= ? ORDER BY t, id"
    rows = connection.execute(asked, (-1e18 if since is None else since,))
    return tuple(
        KeptNote(t=t, kind=kind, text=text, path=path, drive=drive, detail=parse_detail(detail))
        for t, kind, text, path, drive, detail in rows
    )
