"""The database's tables, and the way from each earlier version to the newest.

Rules of this module: a version, once released, is never changed; a change is a further entry of `MIGRATIONS`. All of a
migration happens, or nothing of it.

How the samples lie: rows are keyed by pass and then by series, so that writing appends to one page and dropping the
oldest frees whole pages; a series is read by looking up its own row in each pass of its time, which is a few thousand
look-ups for a year.
"""

import sqlite3
from collections.abc import Callable

from laneproof.history.earlier_names import rename_kept

MARK, MARK_AT = b"lane", 68
"""Marks the file as this program's: SQLite's application_id, and its offset in the file.

Source: sqlite.org, Database File Format, 1.3, The Database Header."""
APPLICATION_ID = int.from_bytes(MARK)

_VERSION_1 = (
    """CREATE TABLE boots (
        id INTEGER PRIMARY KEY,
        boot_id TEXT NOT NULL,
        first_seen_at REAL NOT NULL,
        first_pass INTEGER NOT NULL,
        clock_offset REAL NOT NULL,  -- unix seconds at up 0, by the latest reading of both clocks
        bios_version TEXT,
        bios_date TEXT,
        kernel_release TEXT
    )""",
    # A stretch in which somebody watched without a break; its end is moved on with each commit.
    """CREATE TABLE watches (
        id INTEGER PRIMARY KEY,
        boot INTEGER NOT NULL REFERENCES boots (id),
        first_pass INTEGER NOT NULL,
        last_pass INTEGER NOT NULL,
        began_at REAL NOT NULL,
        ended_at REAL NOT NULL,
        ended_up REAL NOT NULL
    )""",
    "CREATE TABLE measures (id INTEGER PRIMARY KEY, name TEXT NOT NULL UNIQUE, is_counter INTEGER NOT NULL)",
    """CREATE TABLE places (
        id INTEGER PRIMARY KEY,
        path TEXT NOT NULL,
        drive TEXT NOT NULL,
        end TEXT NOT NULL,
        UNIQUE (path, drive, end)
    )""",
    # boot is NULL for what goes on over boots. A counter that fell has several series of one origin, measure and boot.
    """CREATE TABLE series (
        id INTEGER PRIMARY KEY,
        boot INTEGER REFERENCES boots (id),
        place INTEGER NOT NULL REFERENCES places (id),
        measure INTEGER NOT NULL REFERENCES measures (id),
        first_pass INTEGER NOT NULL
    )""",
    "CREATE INDEX series_by_place ON series (place, measure)",
    "CREATE TABLE passes (id INTEGER PRIMARY KEY, boot INTEGER NOT NULL, t REAL NOT NULL, up REAL NOT NULL)",
    # value is NULL from where on nothing could be read.
    """CREATE TABLE samples (
        pass INTEGER NOT NULL,
        series INTEGER NOT NULL,
        value,
        PRIMARY KEY (pass, series)
    ) WITHOUT ROWID""",
    # level 1: an hour, level 2: a day; never over the end of a boot.
    """CREATE TABLE buckets (
        id INTEGER PRIMARY KEY,
        level INTEGER NOT NULL,
        boot INTEGER NOT NULL,
        first_pass INTEGER NOT NULL,
        last_pass INTEGER NOT NULL,
        began_at REAL NOT NULL,
        ended_at REAL NOT NULL
    )""",
    "CREATE INDEX buckets_by_boot ON buckets (level, boot)",
    # low and high are NULL where they say nothing new; see folded_rows.
    """CREATE TABLE hours (
        bucket INTEGER NOT NULL, series INTEGER NOT NULL, low, high, last, count INTEGER NOT NULL,
        PRIMARY KEY (bucket, series)
    ) WITHOUT ROWID""",
    """CREATE TABLE days (
        bucket INTEGER NOT NULL, series INTEGER NOT NULL, low, high, last, count INTEGER NOT NULL,
        PRIMARY KEY (bucket, series)
    ) WITHOUT ROWID""",
    """CREATE TABLE events (
        id INTEGER PRIMARY KEY,
        t REAL NOT NULL,
        last_t REAL NOT NULL,  -- of the last of several that were the same
        up REAL,
        boot INTEGER,
        kind TEXT NOT NULL,
        path TEXT NOT NULL,
        drive TEXT NOT NULL,
        device TEXT NOT NULL,
        text TEXT NOT NULL,
        count INTEGER NOT NULL,
        detail TEXT
    )""",
    "CREATE INDEX events_by_kind ON events (kind)",
    # The whole life of a finding: cleared_at is NULL while it stands. finding: JSON, as last reported.
    """CREATE TABLE findings (
        id INTEGER PRIMARY KEY,
        rule TEXT NOT NULL,
        subject TEXT NOT NULL,
        raised_at REAL NOT NULL,
        cleared_at REAL,
        finding TEXT NOT NULL
    )""",
    "CREATE INDEX standing_findings ON findings (rule, subject) WHERE cleared_at IS NULL",
    """CREATE TABLE changes (
        id INTEGER PRIMARY KEY,
        finding INTEGER NOT NULL REFERENCES findings (id),
        t REAL NOT NULL,
        boot INTEGER,
        change TEXT NOT NULL,
        content TEXT NOT NULL
    )""",
    "CREATE TABLE inventories (id INTEGER PRIMARY KEY, t REAL NOT NULL, boot INTEGER, content BLOB NOT NULL)",
    """CREATE TABLE notes (
        id INTEGER PRIMARY KEY,
        t REAL NOT NULL,
        kind TEXT NOT NULL,
        path TEXT NOT NULL,
        drive TEXT NOT NULL,
        text TEXT NOT NULL,
        detail TEXT
    )""",
    "CREATE TABLE state (name TEXT PRIMARY KEY, content BLOB NOT NULL) WITHOUT ROWID",
    "CREATE TABLE meta (name TEXT PRIMARY KEY, value TEXT NOT NULL) WITHOUT ROWID",
)

MigrationStep = str | Callable[[sqlite3.Connection], None]
"""A statement, or what is done on the connection."""

MIGRATIONS: tuple[tuple[MigrationStep, ...], ...] = (_VERSION_1, (rename_kept,))
"""The steps that lead from version n (its place in the tuple, from 0: an empty file) to version n + 1."""


class NotOursError(Exception):
    """The file is a database, but none that this program can go on with: another program's, or a newer version's."""


def version_of(connection: sqlite3.Connection) -> int:
    """Give the version of the tables; 0 for an empty file."""
    return int(connection.execute("PRAGMA user_version").fetchone()[0])


def check(connection: sqlite3.Connection) -> int:
    """Give the version, where this program can go on with it.

    Raises:
        NotOursError: It cannot.
        sqlite3.DatabaseError: It is damaged, or no database.
    """
    version = version_of(connection)
    if version > len(MIGRATIONS):
        raise NotOursError(f"its tables are version {version}, and this program knows up to {len(MIGRATIONS)}")
    owner = int(connection.execute("PRAGMA application_id").fetchone()[0])
    try:
        tables = int(connection.execute("SELECT count(*) FROM sqlite_schema").fetchone()[0])
    except UnicodeDecodeError as error:  # SQLite's own complaint quotes the damaged bytes, and Python cannot read it
        damaged = sqlite3.DatabaseError("malformed database schema")
        damaged.sqlite_errorcode = sqlite3.SQLITE_CORRUPT
        raise damaged from error
    if tables and owner != APPLICATION_ID:
        raise NotOursError("it is another program's database")
    return version


def migrate(connection: sqlite3.Connection) -> None:
    """Bring the tables to the newest version, version by version, on a connection in autocommit mode.

    Raises:
        NotOursError: As `check`.
        sqlite3.Error: A step failed; nothing of it remains.
    """
    for version in range(check(connection), len(MIGRATIONS)):
        connection.execute("BEGIN IMMEDIATE")
        try:
            for step in MIGRATIONS[version]:
                if isinstance(step, str):
                    connection.execute(step)
                else:
                    step(connection)
            connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
            connection.execute(f"PRAGMA user_version = {version + 1}")
        except BaseException:
            connection.execute("ROLLBACK")
            raise
        connection.execute("COMMIT")
