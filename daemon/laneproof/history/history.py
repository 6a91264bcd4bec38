"""The history as it is read: every question that others ask of it, on a connection of the reader's own or the store's.

Rules of this module: it reads and never writes; what comes out are values.
"""

import sqlite3
from collections.abc import Callable, Collection, Iterable
from typing import Any, Self, TypeVar

from laneproof.findings import Finding, FindingChange
from laneproof.history import boots, events, finding_lives, inventories, notes, series_queries
from laneproof.history.compressed_json import unpack
from laneproof.history.database import open_to_read
from laneproof.history.events import Event
from laneproof.history.finding_lives import FindingLife
from laneproof.history.inventories import KeptInventory
from laneproof.history.notes import Note
from laneproof.history.series import Series, Watch

Answer = TypeVar("Answer")


class History:
    """Reads a history."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        """Read from a connection."""
        self._connection = connection

    @classmethod
    def open(cls, path: str) -> Self:
        """Open a database to read it, while the daemon may be writing.

        Args:
            path: The file.

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

    def load_standing(self) -> tuple[Finding, ...]:
        """Give the findings that stand, oldest first."""
        return self._ask(finding_lives.load_standing)

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

    def read_series(  # noqa: PLR0913 (one question, its filters)
        self,
        *,
        path: str | None = None,
        drive: str | None = None,
        end: str | None = None,
        names: Collection[str] | None = None,
        since: float | None = None,
        until: float | None = None,
    ) -> tuple[Series, ...]:
        """Read series; see `series_queries.read_series`."""
        return self._ask(
            lambda connection: series_queries.read_series(
                connection, path=path, drive=drive, end=end, names=names, since=since, until=until
            )
        )

    def read_origins(self) -> tuple[tuple[str, str, str], ...]:
        """List the origins that have a series: path, drive, end."""
        return self._ask(series_queries.read_origins)

    def read_events(
        self,
        *,
        since: float | None = None,
        until: float | None = None,
        path: str | None = None,
        drive: str | None = None,
        kinds: Iterable[str] | None = None,
    ) -> tuple[Event, ...]:
        """Read events; see `events.read_events`."""
        return self._ask(
            lambda connection: events.read_events(
                connection, since=since, until=until, path=path, drive=drive, kinds=kinds
            )
        )

    def read_finding_changes(
        self, *, since: float | None = None, until: float | None = None
    ) -> tuple[FindingChange, ...]:
        """Read what became of findings, oldest first."""
        return self._ask(lambda connection: finding_lives.read_finding_changes(connection, since=since, until=until))

    def read_findings(self) -> tuple[FindingLife, ...]:
        """Read all findings that stand or stood, oldest first."""
        return self._ask(finding_lives.read_finding_lives)

    def read_watches(self) -> tuple[Watch, ...]:
        """Read the stretches in which somebody watched, oldest first."""
        return self._ask(boots.load_watches)

    def read_inventories(self, *, since: float | None = None, until: float | None = None) -> tuple[KeptInventory, ...]:
        """Read the inventories that held between two times, oldest first."""
        return self._ask(lambda connection: inventories.read_inventories(connection, since=since, until=until))

    def inventory_at(self, t: float) -> KeptInventory | None:
        """Give the inventory that held at a time; None where none was kept yet."""
        return next(iter(self.read_inventories(since=t, until=t)), None)

    def read_notes(self, *, since: float | None = None) -> tuple[Note, ...]:
        """Read the owner's notes, oldest first."""
        return self._ask(lambda connection: notes.read_notes(connection, since=since))
