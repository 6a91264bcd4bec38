"""The database's versions: made, migrated, refused."""

import sqlite3
from pathlib import Path

import pytest

from boxes.passes import Passes
from laneproof.history import tables
from laneproof.history.store import Store
from laneproof.history.tables import MIGRATIONS, NotOursError, check, migrate, version_of

VERSION_1 = Path(__file__).parent / "version_1.sql"
"""A database as the first version wrote it, in SQL: two boots of a box, a drive that left, a finding that stands."""


def _memory() -> sqlite3.Connection:
    return sqlite3.connect(":memory:", isolation_level=None)


def test_an_empty_file_gets_the_newest_version() -> None:
    connection = _memory()
    migrate(connection)
    assert version_of(connection) == len(MIGRATIONS)
    migrate(connection)  # nothing is left to do


def test_the_file_says_whose_it_is(tmp_path: Path) -> None:
    Store.open(str(tmp_path / "history.db")).close()
    # Database File Format, 1.3: application id at offset 68, the user version at 60, both big-endian.
    header = (tmp_path / "history.db").read_bytes()[:100]
    assert header[68:72] == b"lane"
    assert int.from_bytes(header[60:64], "big") == len(MIGRATIONS)


def test_a_newer_version_is_not_touched() -> None:
    connection = _memory()
    connection.execute(f"PRAGMA user_version = {len(MIGRATIONS) + 1}")
    with pytest.raises(NotOursError, match=f"version {len(MIGRATIONS) + 1}, and this program knows up to"):
        migrate(connection)
    assert connection.execute("SELECT count(*) FROM sqlite_schema").fetchone() == (0,)


def test_another_programs_database_is_not_touched() -> None:
    connection = _memory()
    connection.execute("CREATE TABLE songs (name TEXT)")
    with pytest.raises(NotOursError, match="another program"):
        migrate(connection)
    assert connection.execute("SELECT name FROM sqlite_schema").fetchall() == [("songs",)]


def test_a_migration_that_fails_leaves_the_version_before(monkeypatch: pytest.MonkeyPatch) -> None:
    connection = _memory()
    migrate(connection)
    broken = (*MIGRATIONS, ("CREATE TABLE further (id INTEGER)", "INSERT INTO nowhere VALUES (1)"))
    monkeypatch.setattr(tables, "MIGRATIONS", broken)
    with pytest.raises(sqlite3.OperationalError, match="nowhere"):
        migrate(connection)
    assert version_of(connection) == len(MIGRATIONS)
    assert connection.execute("SELECT count(*) FROM sqlite_schema WHERE name = 'further'").fetchone() == (0,)


def _version_1(folder: Path) -> str:
    path = str(folder / "history.db")
    connection = sqlite3.connect(path, isolation_level=None)
    connection.executescript(VERSION_1.read_text())
    connection.close()
    return path


def test_the_first_versions_history_is_read_and_gone_on_with(tmp_path: Path) -> None:
    path = _version_1(tmp_path)
    store = Store.open(path)
    assert not store.in_memory
    assert [finding.rule for finding in store.load_standing()] == ["link-slow"]
    (media,) = store.read_series(drive="FN0001", names=("media_errors",))
    assert [point.last for point in media.points if point.low is not None] == [0, 2, 2]
    passes = Passes(t=media.known_until + 600, up=86400.0)
    passes.reboot()
    store.add_pass(passes.drive(0, health={"media_errors": 3}).take())
    (media,) = store.read_series(drive="FN0001", names=("media_errors",))
    assert [point.last for point in media.points if point.low is not None][-2:] == [2, 3]
    store.close()


def test_the_next_version_begins_where_this_one_ends(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = _version_1(tmp_path)
    further = ("ALTER TABLE notes ADD COLUMN seen INTEGER NOT NULL DEFAULT 0",)
    monkeypatch.setattr(tables, "MIGRATIONS", (*MIGRATIONS, further))
    store = Store.open(path)
    connection = sqlite3.connect(path)
    assert version_of(connection) == len(MIGRATIONS) + 1
    assert connection.execute("SELECT text, seen FROM notes").fetchall() == [("moved drive to riser-2", 0)]
    assert check(connection) == len(MIGRATIONS) + 1
    connection.close()
    store.close()
