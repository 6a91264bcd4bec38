"""What waits to be written: rows of one transaction, and the numbers that rows refer to each other by.

Rules of this module: numbers are given out here, since there is one writer; a row is written once, with its pass. What
it does not do: decide what is worth writing, or when.
"""

import sqlite3
from collections.abc import Sequence

from laneproof.history.live_series import Key, PassMark, ResumableSeries
from laneproof.history.measures import Measure
from laneproof.history.origins import Origin
from laneproof.history.sample import Value

Row = Sequence[object]

_NUMBERED = (
    "boots",
    "watches",
    "places",
    "measures",
    "series",
    "events",
    "findings",
    "changes",
    "inventories",
    "notes",
)

_LAST_VALUES = (
    "SELECT series, value, NULL, max(pass) FROM samples GROUP BY series",
    "SELECT series, last, high, max(bucket) FROM hours GROUP BY series",
    "SELECT series, last, high, max(bucket) FROM days GROUP BY series",
)
"""The last value of each series by level. With one max(), SQLite takes the other columns from that same row (its
documentation of SELECT, "Bare columns in an aggregate query")."""


class Batch:
    """Rows that wait for the next commit."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        """Begin with the numbers that the database has come to."""
        self._next = {table: _highest(connection, table) + 1 for table in _NUMBERED}
        self._origins = {
            Origin(path, drive, end): number
            for number, path, drive, end in connection.execute("SELECT id, path, drive, end FROM places")
        }
        self._measures: dict[str, int] = dict(connection.execute("SELECT name, id FROM measures"))
        self._statements: list[tuple[str, Row]] = []
        self._passes: dict[int, PassMark] = {}
        self._samples: list[tuple[int, int, Value | None]] = []

    @property
    def is_empty(self) -> bool:
        """Whether nothing waits."""
        return not (self._statements or self._samples)

    def next_number(self, table: str) -> int:
        """Give out the next row's number of a table."""
        number = self._next[table]
        self._next[table] = number + 1
        return number

    def add(self, statement: str, row: Row) -> None:
        """Let a statement wait; they are done in their order."""
        self._statements.append((statement, row))

    # --- the samples (`live_series.Sink`) ---------------------------------------------------------------------------

    def begin_series(self, origin: Origin, measure: Measure, mark: PassMark) -> int:
        """Note a new series; gives its number."""
        number = self.next_number("series")
        boot = mark.boot if measure.per_boot else None
        row = (number, boot, self._number_of(origin), self._measure(measure), mark.id)
        self.add("INSERT INTO series (id, boot, place, measure, first_pass) VALUES (?, ?, ?, ?, ?)", row)
        return number

    def put(self, mark: PassMark, series: int, value: Value | None) -> None:
        """Note a sample."""
        self._passes[mark.id] = mark
        self._samples.append((mark.id, series, value))

    def _number_of(self, origin: Origin) -> int:
        number = self._origins.get(origin)
        if number is None:
            number = self._origins[origin] = self.next_number("places")
            self.add("INSERT INTO places (id, path, drive, end) VALUES (?, ?, ?, ?)", (number, *origin))
        return number

    def _measure(self, measure: Measure) -> int:
        number = self._measures.get(measure.name)
        if number is None:
            number = self._measures[measure.name] = self.next_number("measures")
            row = (number, measure.name, measure.is_counter)
            self.add("INSERT INTO measures (id, name, is_counter) VALUES (?, ?, ?)", row)
        return number

    # --- writing ----------------------------------------------------------------------------------------------------

    def write(self, connection: sqlite3.Connection) -> None:
        """Do all that waits; it goes on waiting until `clear`."""
        for statement, row in self._statements:
            connection.execute(statement, row)
        connection.executemany("INSERT OR IGNORE INTO passes (id, boot, t, up) VALUES (?, ?, ?, ?)", self._rows())
        connection.executemany("INSERT OR REPLACE INTO samples (pass, series, value) VALUES (?, ?, ?)", self._samples)

    def _rows(self) -> list[Row]:
        return [(mark.id, mark.boot, round(mark.t, 3), round(mark.up, 3)) for mark in self._passes.values()]

    def clear(self) -> None:
        """Forget what was written."""
        self._statements, self._passes, self._samples = [], {}, []


def _highest(connection: sqlite3.Connection, table: str) -> int:
    return int(connection.execute(f"SELECT coalesce(max(id), 0) FROM {table}").fetchone()[0])  # noqa: S608 (our names)


def highest_pass(connection: sqlite3.Connection) -> int:
    """Give the highest number of a pass that was ever given out, dropped ones included."""
    asked = "SELECT max((SELECT coalesce(max(id), 0) FROM passes), (SELECT coalesce(max(last_pass), 0) FROM watches))"
    return int(connection.execute(asked).fetchone()[0])


def load_ended(connection: sqlite3.Connection, boot: int | None) -> dict[Key, ResumableSeries]:
    """Load the series that may go on, by origin and measure: the latest of the last boot, and those of none."""
    values: dict[int, tuple[Value | None, bool]] = {}
    for level in _LAST_VALUES:
        for series, last, high, _ in connection.execute(level):
            value = high if last is None else last
            if not isinstance(value, int | float | None):
                raise sqlite3.DatabaseError(f"damaged: a sample is no number: {value!r:.20}")
            if series not in values:
                values[series] = (value, last is None)
            elif values[series][0] is None:
                values[series] = (value, True)  # it ended in a gap, and what it held before is known from further back
    asked = """
        SELECT s.id, s.boot, p.path, p.drive, p.end, m.name
        FROM series s JOIN places p ON p.id = s.place JOIN measures m ON m.id = s.measure
        WHERE s.boot IS NULL OR s.boot = ? ORDER BY s.id
    """
    ended: dict[Key, ResumableSeries] = {}
    for series, of_boot, path, drive, end, name in connection.execute(asked, (boot,)):
        value, in_gap = values.get(series, (None, True))
        ended[Origin(path, drive, end), name] = ResumableSeries(series, value, in_gap, of_boot is not None)
    return ended
