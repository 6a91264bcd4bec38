"""The history as it is read: every question that others ask of it, on a connection of the reader's own or the store's.

Rules of this module: it reads and never writes; what comes out are values.
"""

import sqlite3
from collections.abc import Callable
from typing import Any, Concatenate, ParamSpec, Self, TypeVar

from laneproof.history import boots, events, finding_lives, inventories, notes, series_queries
from laneproof.history.compressed_json import unpack
from laneproof.history.database import open_to_read
from laneproof.history.inventories import KeptInventory

Answer = TypeVar("Answer")
_Filters = ParamSpec("_Filters")


def _as_method(
    question: Callable[Concatenate[sqlite3.Connection, _Filters], Answer],
) -> Callable[Concatenate["History", _Filters], Answer]:
    """Make a question that is put to a connection a method of the history, with the same filters."""

    def ask(history: "History", /, *filters: _Filters.args, **named: _Filters.kwargs) -> Answer:
        return history._ask(lambda connection: question(connection, *filters, **named))  # noqa: SLF001 (its own)

    return ask


class History:
    """Reads a history."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        """Read from a connection."""
        self._connection = connection

    @classmethod
    def open(cls, path: str) -> Self:
        """Open a database to read it, while the daemon may be writing.

        Raises:
            FileNotFoundError: There is none.
            NotOursError: It is another program's, a newer version's, or empty.
            sqlite3.Error: It cannot be read.
        """
        return cls(open_to_read(path))

    def _ask(self, question: Callable[[sqlite3.Connection], Answer]) -> Answer:
        return question(self._connection)

    def close(self) -> None:
        """Close the connection."""
        self._connection.close()

    # --- what a restarted daemon goes on with -----------------------------------------------------------------------

    load_standing = _as_method(finding_lives.load_standing)

    def load_state(self, name: str) -> Any:  # noqa: ANN401 (any JSON value)
        """Give what was saved under a name; None where nothing was, or it is damaged."""
        row = self._ask(
            lambda connection: connection.execute("SELECT content FROM state WHERE name = ?", (name,)).fetchone()
        )
        try:
            return None if row is None else unpack(row[0])
        except ValueError:
            return None

    # --- what people and rules ask ------------------------------------------------------------------------------------

    read_series = _as_method(series_queries.read_series)
    read_origins = _as_method(series_queries.read_origins)
    read_events = _as_method(events.read_events)
    read_finding_changes = _as_method(finding_lives.read_finding_changes)
    read_findings = _as_method(finding_lives.read_finding_lives)
    read_watches = _as_method(boots.load_watches)
    read_inventories = _as_method(inventories.read_inventories)
    read_notes = _as_method(notes.read_notes)

    def inventory_at(self, t: float) -> KeptInventory | None:
        """Give the inventory that held at a time; None where none was kept yet."""
        return next(iter(self.read_inventories(since=t, until=t)), None)
