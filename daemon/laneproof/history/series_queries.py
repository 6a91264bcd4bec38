"""Reading series back: days, hours and samples joined into one, with the gaps where nobody watched.

Rules of this module: queries only; whatever connection it is given, the writer's or a reader's.
"""

import sqlite3
from bisect import bisect_right
from collections.abc import Collection, Iterator, Mapping, Sequence
from typing import NamedTuple

from laneproof.history.boots import HOLE_SECONDS, load_watches
from laneproof.history.sample import Value
from laneproof.history.series import PassPoint, Point, Series, Watch, cut, point_at, with_gaps

_FOLDED = (("days", 2), ("hours", 1))


class _Row(NamedTuple):
    """One series as the database knows it."""

    id: int
    boot: int | None
    boot_id: str | None
    path: str
    drive: str
    end: str
    name: str
    is_counter: int


def read_series(  # noqa: PLR0913 (one question, its filters)
    connection: sqlite3.Connection,
    *,
    path: str | None = None,
    drive: str | None = None,
    end: str | None = None,
    names: Collection[str] | None = None,
    since: float | None = None,
    until: float | None = None,
) -> tuple[Series, ...]:
    """Read series.

    Args:
        connection: The database.
        path: Only of this path: the path's history, whichever drive was in it.
        drive: Only of this drive: the drive's history, wherever it was.
        end: Only of this end or part.
        names: Only these measures; one that ends in ``.*`` stands for all parts of a measure.
        since: From this time on, unix seconds; the value that held then is given there.
        until: Up to this time.

    Returns:
        The series that have a point in that time, in the order in which they began.
    """
    boots = _Boots(connection, load_watches(connection))
    found = []
    for row in _find(connection, {"p.path": path, "p.drive": drive, "p.end": end}, names):
        own = boots.watches_of(row.boot)
        if since is not None and own and own[-1].ended_at + HOLE_SECONDS < since:
            continue  # nobody has watched it since; how far a watch goes on is noted every few minutes only
        placed = _points(connection, row, boots)
        points = cut(with_gaps(placed, own), since=since, until=until)
        if not points:
            continue
        known_until = own[-1].ended_at if own else points[-1].ended_at
        found.append(
            Series(
                path=row.path,
                drive=row.drive,
                end=row.end,
                name=row.name,
                is_counter=bool(row.is_counter),
                boot_id=row.boot_id,
                points=points,
                known_until=known_until if until is None else min(known_until, until),
            )
        )
    return tuple(found)


def read_origins(connection: sqlite3.Connection) -> tuple[tuple[str, str, str], ...]:
    """List the origins that have a series: path, drive, end."""
    return tuple(connection.execute("SELECT path, drive, end FROM places ORDER BY path, drive, end"))


class _Boots:
    """Which passes each boot had, and in which grain it is kept: most series are then looked up in one table only."""

    def __init__(self, connection: sqlite3.Connection, watches: Sequence[Watch]) -> None:
        self.watches = watches
        self._watches_by_boot: dict[int, list[Watch]] = {}
        for watch in watches:
            self._watches_by_boot.setdefault(watch.boot, []).append(watch)
        self._starts = sorted(own[0].first_pass for own in self._watches_by_boot.values())
        self._kept = set(connection.execute("SELECT DISTINCT level, boot FROM buckets"))
        self._first_pass = connection.execute("SELECT coalesce(min(id), 0) FROM passes").fetchone()[0]

    def watches_of(self, boot: int | None) -> Sequence[Watch]:
        """Give the watches of a boot; all for none."""
        return self.watches if boot is None else self._watches_by_boot.get(boot, ())

    def is_kept(self, boot: int | None, level: int) -> bool:
        """Whether a boot is kept in hours, or in days."""
        return boot is None or (level, boot) in self._kept

    def passes_of(self, boot: int | None) -> tuple[int, int]:
        """Give a boot's first pass that is kept, and the one before the next boot's; all passes for none.

        A boot's passes follow each other, so its samples are a range of rows.
        """
        if boot is None or boot not in self._watches_by_boot:
            return self._first_pass, 1 << 62
        first = self._watches_by_boot[boot][0].first_pass
        after = bisect_right(self._starts, first)
        return max(first, self._first_pass), self._starts[after] - 1 if after < len(self._starts) else 1 << 62


def _find(
    connection: sqlite3.Connection, origin: Mapping[str, str | None], names: Collection[str] | None
) -> list[_Row]:
    conditions, values = ["1"], []
    for column, value in origin.items():
        if value is not None:
            conditions.append(f"{column} = ?")
            values.append(value)
    if names is not None:
        parts = ["0"]
        for name in names:
            whole = name.removesuffix(".*")
            parts.append("m.name = ?" if whole == name else "(m.name > ? || '.' AND m.name < ? || '/')")
            values += [whole] if whole == name else [whole, whole]
        conditions.append(f"({' OR '.join(parts)})")
    asked = (
        "SELECT s.id, s.boot, b.boot_id, p.path, p.drive, p.end, m.name, m.is_counter"  # noqa: S608 (only marks are put in)
        " FROM places p JOIN series s ON s.place = p.id JOIN measures m ON m.id = s.measure"
        f" LEFT JOIN boots b ON b.id = s.boot WHERE {' AND '.join(conditions)} ORDER BY s.first_pass, s.id"
    )
    return [_Row(*row) for row in connection.execute(asked, values)]


def _points(connection: sqlite3.Connection, row: _Row, boots: _Boots) -> list[PassPoint]:
    placed: list[PassPoint] = []
    held: Value | None = None
    for bucket in _folded(connection, row, boots):
        first, last, began, ended, low, high, value, count = bucket
        point = _unfold(began, ended, low, high, value, count, held=held if row.is_counter else None)
        placed.append(PassPoint(point=point, first_pass=first, last_pass=last))
        held = point.high if point.high is not None else held
    first, last = boots.passes_of(row.boot)
    if first > last:
        return placed  # all of that boot is folded
    # CROSS JOIN holds SQLite to this order: pass by pass, and the series' own row in each.
    raw = connection.execute(
        "SELECT p.id, p.t, s.value FROM passes p CROSS JOIN samples s ON s.pass = p.id AND s.series = ?"
        " WHERE p.id BETWEEN ? AND ? ORDER BY p.id",
        (row.id, first, last),
    )
    placed += [PassPoint(point_at(t, value), number, number) for number, t, value in raw]
    return placed


def _folded(
    connection: sqlite3.Connection, row: _Row, boots: _Boots
) -> Iterator[tuple[int, int, float, float, Value | None, Value | None, Value | None, int]]:
    for table, level in _FOLDED:
        if not boots.is_kept(row.boot, level):
            continue
        own = "" if row.boot is None else " AND b.boot = :boot"
        yield from connection.execute(
            "SELECT b.first_pass, b.last_pass, b.began_at, b.ended_at, f.low, f.high, f.last, f.count"  # noqa: S608 (our names)
            f" FROM buckets b CROSS JOIN {table} f ON f.bucket = b.id AND f.series = :series"
            f" WHERE b.level = :level{own} ORDER BY b.id",
            {"series": row.id, "level": level, "boot": row.boot},
        )


def _unfold(  # noqa: PLR0913 (one row)
    began: float,
    ended: float,
    low: Value | None,
    high: Value | None,
    last: Value | None,
    count: int,
    *,
    held: Value | None,
) -> Point:
    """Put back what `retention.folded_rows` left out: `held` is what a counter came with from the bucket before."""
    if last is None and high is None:
        return Point(began, ended, low=None, high=None, last=None, samples=0)
    top = last if high is None else high
    bottom = low if low is not None else held if held is not None else top if last is None else last
    return Point(began_at=began, ended_at=ended, low=bottom, high=top, last=last, samples=count)
