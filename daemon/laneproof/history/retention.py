"""How long things are kept, and in what grain: samples as read for days, by the hour for weeks, by the day for years.

Rules of this module: what is folded is folded in the order of its passes, never over the end of a boot, and what a
counter gained stays to the unit; a chatty kind of event cannot push out another. What would be larger than its owner
allows loses the oldest first, samples before events; what stands, the owner's notes and what the program goes on with
are never dropped for room. Figures and their cost for eight drives are in docs/history.md.
"""

import sqlite3
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import partial
from itertools import takewhile

from laneproof.history.batch import Row
from laneproof.history.sample import Value

HOUR, DAY = 3600.0, 86400.0
KEEP_SAMPLES_SECONDS = 3 * DAY
KEEP_HOURS_SECONDS = 28 * DAY
KEEP_DAYS_SECONDS = 1100 * DAY
MOST_DAYS = 1500  # where a wrong clock dated days ahead, or many boots shared a day

KEEP_EVENTS_OF_A_KIND = 1500
KEEP_CHANGES = 5000
KEEP_CLEARED_FINDINGS = 2000
KEEP_INVENTORIES = 300
KEEP_NOTES = 5000

HOURS_AT_ONCE = 6
"""How many hours are folded in one go, so that a daemon that was off for long does not stand still to catch up."""

_HOUR_LEVEL, _DAY_LEVEL = 1, 2
_CLEARED = "cleared_at IS NOT NULL"
_DROP_CHANGES_OF_NONE = "DELETE FROM changes WHERE finding NOT IN (SELECT id FROM findings)"
_DROP_SAMPLES_OF_NONE = "DELETE FROM samples WHERE pass < (SELECT min(id) FROM passes)"
_AHEAD_SECONDS = HOUR  # a date farther ahead than this was a wrong clock's


Spread = tuple[int, Value | None, Value | None, int]
"""A series' number, its least and its most value, and how many samples."""


@dataclass(frozen=True, slots=True)
class _Bucket:
    """Passes, or buckets of the finer grain, that become one bucket."""

    boot: int
    first_pass: int
    last_pass: int
    began_at: float
    ended_at: float


def tidy(connection: sqlite3.Connection, *, now: float, most: int = HOURS_AT_ONCE) -> int:
    """Fold and drop what is due, in a transaction; gives how many hours and days, `most` of each, were folded."""
    folded = 0
    for fold_next in (_fold_passes, _fold_hours):
        folded += sum(1 for _ in takewhile(bool, (fold_next(connection, now) for _ in range(most))))
    _drop_days(connection, now)
    _drop_rows(connection)
    return folded


# --- folding ----------------------------------------------------------------------------------------------------------


def _fold_passes(connection: sqlite3.Connection, now: float) -> bool:
    first = connection.execute("SELECT id, boot, t FROM passes ORDER BY id LIMIT 1").fetchone()
    if first is None or _is_young(first[2], now, KEEP_SAMPLES_SECONDS):
        return False
    number, boot, t = first
    beyond = connection.execute(
        "SELECT min(id) FROM passes WHERE id > ? AND (boot != ? OR CAST(t / ? AS INTEGER) != ?)",
        (number, boot, HOUR, int(t / HOUR)),
    ).fetchone()[0]
    if beyond is None:
        return False  # the hour is not over
    last, ended = connection.execute(
        "SELECT id, t FROM passes WHERE id < ? ORDER BY id DESC LIMIT 1", (beyond,)
    ).fetchone()
    bucket = _Bucket(boot, number, last, t, ended)
    rows = connection.execute(
        "SELECT s.series, min(s.value), max(s.value), count(s.value) FROM samples s"
        " WHERE s.pass BETWEEN ? AND ? GROUP BY s.series",
        (number, last),
    ).fetchall()
    lasts = connection.execute(
        "SELECT series, value, max(pass) FROM samples WHERE pass BETWEEN ? AND ? GROUP BY series", (number, last)
    )
    _insert(connection, "hours", _HOUR_LEVEL, bucket, rows, {series: value for series, value, _ in lasts})
    connection.execute("DELETE FROM samples WHERE pass BETWEEN ? AND ?", (number, last))
    connection.execute("DELETE FROM passes WHERE id BETWEEN ? AND ?", (number, last))
    return True


def _fold_hours(connection: sqlite3.Connection, now: float) -> bool:
    asked = "SELECT id, boot, first_pass, began_at FROM buckets WHERE level = 1 ORDER BY id LIMIT 1"
    first = connection.execute(asked).fetchone()
    if first is None or _is_young(first[3], now, KEEP_HOURS_SECONDS):
        return False
    number, boot, first_pass, began = first
    beyond = connection.execute(
        "SELECT min(id) FROM buckets WHERE level = 1 AND id > ? AND (boot != ? OR CAST(began_at / ? AS INTEGER) != ?)",
        (number, boot, DAY, int(began / DAY)),
    ).fetchone()[0]
    if beyond is None:
        return False  # the day is not over
    last, last_pass, ended = connection.execute(
        "SELECT id, last_pass, ended_at FROM buckets WHERE level = 1 AND id < ? ORDER BY id DESC LIMIT 1", (beyond,)
    ).fetchone()
    bucket = _Bucket(boot, first_pass, last_pass, began, ended)
    rows = connection.execute(
        "SELECT series, min(coalesce(low, last, high)), max(coalesce(high, last)), sum(count) FROM hours"
        " WHERE bucket BETWEEN ? AND ? GROUP BY series",
        (number, last),
    ).fetchall()
    lasts = connection.execute(
        "SELECT series, last, max(bucket) FROM hours WHERE bucket BETWEEN ? AND ? GROUP BY series", (number, last)
    )
    _insert(connection, "days", _DAY_LEVEL, bucket, rows, {series: value for series, value, _ in lasts})
    connection.execute("DELETE FROM hours WHERE bucket BETWEEN ? AND ?", (number, last))
    connection.execute("DELETE FROM buckets WHERE level = 1 AND id BETWEEN ? AND ?", (number, last))
    return True


def _insert(  # noqa: PLR0913 (one bucket and its rows)
    connection: sqlite3.Connection,
    table: str,
    level: int,
    bucket: _Bucket,
    rows: list[Spread],
    lasts: dict[int, Value | None],
) -> None:
    number = connection.execute(
        "INSERT INTO buckets (level, boot, first_pass, last_pass, began_at, ended_at) VALUES (?, ?, ?, ?, ?, ?)",
        (level, bucket.boot, bucket.first_pass, bucket.last_pass, bucket.began_at, bucket.ended_at),
    ).lastrowid
    counters = _counters(connection)
    connection.executemany(
        f"INSERT INTO {table} (bucket, series, low, high, last, count) VALUES (?, ?, ?, ?, ?, ?)",  # noqa: S608 (our names)
        ((number, *row) for row in folded_rows(rows, lasts, counters, bucket.first_pass)),
    )


def _counters(connection: sqlite3.Connection) -> dict[int, int]:
    """Give the first pass of each counter's series."""
    asked = "SELECT s.id, s.first_pass FROM series s JOIN measures m ON m.id = s.measure WHERE m.is_counter"
    return dict(connection.execute(asked))


def folded_rows(
    rows: list[Spread], lasts: dict[int, Value | None], counters: dict[int, int], first_pass: int
) -> Iterator[Row]:
    """Leave out values that say nothing new: each would take eight bytes, for years.

    `lasts` has the last value of each series, None where it ended in a gap; `counters` each counter's first pass.

    Yields:
        Series, low, high, last, count. `high` is left out where it is the last value. `low` likewise, and of a counter
        everywhere but in the bucket in which its series begins: it is what the bucket before ended with.
    """
    for series, low, high, count in rows:
        last = lasts[series]
        goes_on = series in counters and counters[series] < first_pass
        kept_low = None if goes_on or (low == last and last is not None) else low
        yield series, kept_low, None if high == last else high, last, count


def _is_young(t: float, now: float, seconds: float) -> bool:
    return now - seconds <= t <= now + _AHEAD_SECONDS


# --- dropping ---------------------------------------------------------------------------------------------------------


def _drop_days(connection: sqlite3.Connection, now: float) -> None:
    """Drop days that are too old, in their order, and boots of which nothing is left."""
    while (first := _first_day(connection)) and (first[1] < now - KEEP_DAYS_SECONDS or first[2] > MOST_DAYS):
        _drop_first_day(connection)


def _drop_first_day(connection: sqlite3.Connection) -> bool:
    if (first := _first_day(connection)) is None:
        return False
    number, _, _, last_pass = first
    connection.execute(  # what did not move holds on
        "INSERT INTO days SELECT n.id, d.series, NULL, CASE WHEN d.last IS NULL THEN d.high END, d.last, 0 FROM days d"
        " JOIN (SELECT id FROM buckets WHERE level = 2 AND id > ? ORDER BY id LIMIT 1) n"
        " WHERE d.bucket = ? AND d.series NOT IN (SELECT series FROM days WHERE bucket = n.id)",
        (number, number),
    )
    connection.execute("DELETE FROM days WHERE bucket = ?", (number,))
    connection.execute("DELETE FROM buckets WHERE id = ?", (number,))
    connection.execute("DELETE FROM watches WHERE last_pass <= ? AND id < (SELECT max(id) FROM watches)", (last_pass,))
    connection.execute("DELETE FROM series WHERE boot IS NOT NULL AND boot NOT IN (SELECT boot FROM watches)")
    connection.execute("DELETE FROM boots WHERE id NOT IN (SELECT boot FROM watches)")
    return True


def _first_day(connection: sqlite3.Connection) -> tuple[int, float, int, int] | None:
    """Give the oldest day's number and end, how many days there are, and its last pass."""
    row: tuple[int, float, int, int] | None = connection.execute(
        "SELECT id, ended_at, (SELECT count(*) FROM buckets WHERE level = 2), last_pass FROM buckets"
        " WHERE level = 2 ORDER BY id LIMIT 1"
    ).fetchone()
    return row


def _drop_rows(connection: sqlite3.Connection) -> None:
    for (kind,) in connection.execute("SELECT DISTINCT kind FROM events").fetchall():
        _keep_latest(connection, "events", KEEP_EVENTS_OF_A_KIND, "kind = :kind", kind=kind)
    for table, most in (("changes", KEEP_CHANGES), ("inventories", KEEP_INVENTORIES), ("notes", KEEP_NOTES)):
        _keep_latest(connection, table, most)
    _keep_latest(connection, "findings", KEEP_CLEARED_FINDINGS, _CLEARED)
    connection.execute(_DROP_CHANGES_OF_NONE)


def _keep_latest(
    connection: sqlite3.Connection, table: str, most: int, condition: str = "TRUE", **values: object
) -> None:
    latest = f"SELECT id FROM {table} WHERE {condition} ORDER BY id DESC LIMIT 1 OFFSET :most"  # noqa: S608 (our names)
    connection.execute(f"DELETE FROM {table} WHERE {condition} AND id <= ({latest})", {"most": most, **values})  # noqa: S608 (likewise)


# --- dropping for room ------------------------------------------------------------------------------------------------


def drop_to_size(connection: sqlite3.Connection, *, most_bytes: int) -> bool:
    """Drop the oldest, in a transaction, until what is kept is no larger than this; whether anything was."""
    dropped = False
    while used_bytes(connection) > most_bytes and any(drop(connection) for drop in _FIRST_TO_GO):
        dropped = True
    return dropped


def used_bytes(connection: sqlite3.Connection) -> int:
    """Give how large what is kept is; the file never shrinks, and its free pages are used again."""
    asked = ("page_count", "freelist_count", "page_size")
    pages, free, page_bytes = (int(connection.execute(f"PRAGMA {name}").fetchone()[0]) for name in asked)
    return (pages - free) * page_bytes


def _drop_first_hours(connection: sqlite3.Connection) -> bool:
    row = connection.execute(
        "SELECT max(id) FROM (SELECT id FROM buckets WHERE level = ? ORDER BY id LIMIT 24)", (_HOUR_LEVEL,)
    ).fetchone()
    connection.execute("DELETE FROM hours WHERE bucket <= ?", row)
    return connection.execute("DELETE FROM buckets WHERE level = 1 AND id <= ?", row).rowcount > 0


def _drop_first_tenth(connection: sqlite3.Connection, table: str, condition: str, and_then: str) -> bool:
    """Drop the oldest tenth of a table's rows, one at least; of one row alone, none."""
    count = connection.execute(f"SELECT count(*) FROM {table} WHERE {condition}").fetchone()[0]  # noqa: S608 (our names)
    if count <= 1:
        return False
    asked = f"SELECT id FROM {table} WHERE {condition} ORDER BY id LIMIT 1 OFFSET ?"  # noqa: S608 (likewise)
    last = connection.execute(asked, (count // 10,)).fetchone()
    connection.execute(f"DELETE FROM {table} WHERE {condition} AND id <= ?", last)  # noqa: S608 (likewise)
    if and_then:
        connection.execute(and_then)
    return True


_FIRST_TO_GO: tuple[Callable[[sqlite3.Connection], bool], ...] = (
    _drop_first_day,
    _drop_first_hours,
    partial(_drop_first_tenth, table="passes", condition="TRUE", and_then=_DROP_SAMPLES_OF_NONE),
    partial(_drop_first_tenth, table="events", condition="TRUE", and_then=""),
    partial(_drop_first_tenth, table="findings", condition=_CLEARED, and_then=_DROP_CHANGES_OF_NONE),
    partial(_drop_first_tenth, table="inventories", condition="TRUE", and_then=""),
)
