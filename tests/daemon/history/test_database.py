"""The file when things go wrong: set aside, shared, full, read-only, gone. Nothing is lost, and it is said once."""

import errno
import logging
import shutil
import sqlite3
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

import pytest

from laneproof.history import database
from laneproof.history.database import RETRY_AFTER_WRITES, Database, open_to_read, set_aside
from laneproof.history.tables import MIGRATIONS, NotOursError
from support.tried_faults import run as run_faults


def _save(name: str, size: int = 10) -> database.Work:
    return lambda connection: connection.execute(
        "INSERT OR REPLACE INTO state (name, content) VALUES (?, ?)", (name, bytes(size))
    )


def _names(connection: sqlite3.Connection) -> list[str]:
    return [name for (name,) in connection.execute("SELECT name FROM state ORDER BY name")]


def _stored(path: str) -> list[str]:
    connection = sqlite3.connect(path)
    try:
        return _names(connection)
    finally:
        connection.close()


def test_a_new_file_is_made_with_its_folder(tmp_path: Path) -> None:
    path = tmp_path / "var" / "lib" / "history.db"
    opened = Database(str(path))
    assert opened.write(_save("one"))
    opened.close()
    assert _stored(str(path)) == ["one"]
    assert not opened.in_memory


def test_it_is_written_ahead_and_synced_now_and_then(path: str) -> None:
    opened = Database(path)
    assert opened.connection.execute("PRAGMA journal_mode").fetchone() == ("wal",)
    assert opened.connection.execute("PRAGMA synchronous").fetchone() == (1,)  # NORMAL
    assert opened.connection.execute("PRAGMA cache_size").fetchone() == (-512,)
    opened.close()


def test_a_transaction_happens_whole_or_not_at_all(path: str) -> None:
    opened = Database(path)

    def half(connection: sqlite3.Connection) -> None:
        _save("half")(connection)
        raise ValueError("a bug")

    with pytest.raises(ValueError, match="a bug"):
        opened.write(half)
    with pytest.raises(sqlite3.IntegrityError):
        opened.write(lambda connection: connection.execute("INSERT INTO state VALUES ('without content', NULL)"))
    assert not opened.in_memory  # the statement was at fault, not the file
    opened.write(_save("whole"))
    opened.close()
    assert _stored(path) == ["whole"]


# --- set aside --------------------------------------------------------------------------------------------------------


def _no_database(path: str) -> str:
    Path(path).write_bytes(b"these are last summer's hydrophone notes\n" * 100)
    return "not a database"


def _newer(path: str) -> str:
    connection = sqlite3.connect(path)
    connection.execute("CREATE TABLE boots (id INTEGER)")
    connection.execute(f"PRAGMA user_version = {len(MIGRATIONS) + 3}")
    connection.close()
    return f"version {len(MIGRATIONS) + 3}"


def _others(path: str) -> str:
    connection = sqlite3.connect(path)
    connection.execute("CREATE TABLE songs (name TEXT)")
    connection.close()
    return "another program's"


def _torn(path: str) -> str:
    opened = Database(path)
    opened.write(_save("large", 200_000))
    opened.close()
    content = bytearray(Path(path).read_bytes())
    content[4096 * 3 : 4096 * 30] = b"\xaa" * (4096 * 27)
    Path(path).write_bytes(content)
    return "malformed"


def _impossible(path: str, *, number: object = 1, began_at: object = 0.0) -> str:
    opened = Database(path)
    row = (1, 1, number, 1, began_at, 0.0, 0.0)
    opened.write(lambda connection: connection.execute("INSERT INTO watches VALUES (?, ?, ?, ?, ?, ?, ?)", row))
    opened.close()
    return "a row of watches holds what is no number"


def _without_notes(path: str) -> str:
    opened = Database(path)
    opened.write(lambda connection: connection.execute("DROP TABLE notes"))
    opened.close()
    return "there is no table notes"


@pytest.mark.parametrize(
    "spoil",
    [
        _no_database, _newer, _others, _torn, _without_notes, partial(_impossible, number=-1),
        partial(_impossible, number="one"), partial(_impossible, began_at="noon"),
        partial(_impossible, began_at=1e16), partial(_impossible, began_at=-1e16),
    ],
)  # fmt: skip
def test_what_cannot_be_used_is_set_aside_whole(path: str, spoil: object, caplog: pytest.LogCaptureFixture) -> None:
    assert callable(spoil)
    why = spoil(path)
    before = Path(path).read_bytes()
    opened = Database(path)
    assert not opened.in_memory
    assert opened.write(_save("new"))
    opened.close()
    assert Path(f"{path}.set-aside-1").read_bytes() == before
    assert _stored(path) == ["new"]
    (line,) = caplog.messages
    assert why in line
    assert f"set aside as {path}.set-aside-1" in line


def test_each_one_set_aside_has_its_own_name_and_its_log_goes_with_it(path: str) -> None:
    for number in (1, 2):
        Path(path).write_text(f"file {number}")
        Path(f"{path}-wal").write_text(f"log {number}")
        assert set_aside(path) == f"{path}.set-aside-{number}"
    assert Path(f"{path}.set-aside-1").read_text() == "file 1"
    assert Path(f"{path}.set-aside-2-wal").read_text() == "log 2"
    assert not Path(f"{path}-wal").exists()


def test_of_the_histories_set_aside_the_newest_two_are_kept_and_nothing_of_anybody_else(
    path: str, caplog: pytest.LogCaptureFixture, monkeypatch: pytest.MonkeyPatch
) -> None:
    # SQLite's documentation of its file format (1.3): the application's mark stands at offset 68
    ours, others = bytes(68) + b"lane" + bytes(28), bytes(68) + b"song" + bytes(28)
    for content in (others, ours, ours, b"short", ours, ours):
        for name, written in ((path, content), (f"{path}-wal", b"log")):
            Path(name).write_bytes(written)
        set_aside(path)
    kept = {file.name.removeprefix("history.db.set-aside-") for file in Path(path).parent.iterdir()}
    assert kept == {"1", "1-wal", "4", "4-wal", "5", "5-wal", "6", "6-wal"}
    reason = "was removed: of the histories that were set aside the newest 2 are kept"
    assert caplog.messages == [f"{path}.set-aside-{number} {reason}" for number in (2, 3)]
    Path(path).write_bytes(ours)
    monkeypatch.setattr(Path, "unlink", _refuse)
    assert set_aside(path) == f"{path}.set-aside-7"  # what cannot be removed keeps nobody from a new history


def test_damage_that_shows_only_while_writing_begins_again(path: str, caplog: pytest.LogCaptureFixture) -> None:
    opened = Database(path)
    opened.write(_save("before"))

    def meet_damage(connection: sqlite3.Connection) -> None:
        error = sqlite3.DatabaseError("database disk image is malformed")
        error.sqlite_errorcode = sqlite3.SQLITE_CORRUPT
        if _names(connection):
            raise error

    assert not opened.write(meet_damage)
    assert _names(opened.connection) == []
    opened.write(_save("after"))
    opened.close()
    assert _stored(f"{path}.set-aside-1") == ["before"]
    assert _stored(path) == ["after"]
    assert len(caplog.messages) == 1


@pytest.mark.parametrize(
    ("code", "is_set_aside"),
    [(sqlite3.SQLITE_BUSY, False), (sqlite3.SQLITE_FULL, False), (sqlite3.SQLITE_ERROR, True)],
)
def test_a_file_that_cannot_be_read_at_this_moment_is_left_as_it_is(
    path: str, code: int, *, is_set_aside: bool
) -> None:
    opened = Database(path)
    opened.write(_save("before"))
    error = sqlite3.OperationalError("no such column, or no time for it")
    error.sqlite_errorcode = code
    try:
        opened.start_over(error)
    except sqlite3.OperationalError:
        assert not is_set_aside
    assert Path(f"{path}.set-aside-1").exists() is is_set_aside
    assert _names(opened.connection) == ([] if is_set_aside else ["before"])
    opened.close()


def test_where_the_file_cannot_be_set_aside_the_history_goes_on_in_memory(
    path: str, caplog: pytest.LogCaptureFixture, monkeypatch: pytest.MonkeyPatch
) -> None:
    opened = Database(path)
    monkeypatch.setattr(Path, "rename", _refuse)
    opened.start_over(ValueError("a date in words"))
    assert opened.in_memory
    assert f"for {path} cannot be used: Permission denied" in caplog.messages[-1]
    opened.close()


# --- one writer -------------------------------------------------------------------------------------------------------


def test_a_second_writer_keeps_to_memory_and_leaves_the_file_alone(path: str, caplog: pytest.LogCaptureFixture) -> None:
    first = Database(path)
    first.write(_save("first"))
    second = Database(path)
    assert second.in_memory
    for number in range(RETRY_AFTER_WRITES + 2):
        second.write(_save(f"second {number}"))
    assert second.in_memory
    assert _names(first.connection) == ["first"]
    (line,) = caplog.messages
    assert "another laneproof writes to it" in line
    second.close()
    first.close()
    assert not list(Path(path).parent.glob("*.set-aside-*"))


# --- no room, no right ------------------------------------------------------------------------------------------------


def test_a_full_disk_moves_the_history_to_memory_and_back(path: str, caplog: pytest.LogCaptureFixture) -> None:
    caplog.set_level(logging.WARNING)
    opened = Database(path)
    opened.write(_save("before"))
    # SQLite's own limit gives the very error of a full disk (SQLITE_FULL; its documentation of max_page_count).
    pages = opened.connection.execute("PRAGMA page_count").fetchone()[0]
    opened.connection.execute(f"PRAGMA max_page_count = {pages}")
    assert opened.write(_save("large", 500_000))
    assert opened.in_memory
    assert _names(opened.connection) == ["before", "large"]
    assert _stored(path) == ["before"]
    for number in range(RETRY_AFTER_WRITES):
        opened.write(_save(f"later {number:02}"))
    assert not opened.in_memory
    opened.close()
    assert _stored(path) == sorted(["before", "large", *(f"later {number:02}" for number in range(RETRY_AFTER_WRITES))])
    assert ["disk is full" in line for line in caplog.messages] == [True, False]
    assert "nothing was lost" in caplog.messages[1]


def _remove(path: str) -> None:
    for file in Path(path).parent.glob("*"):
        file.unlink()


def _remove_folder(path: str) -> None:
    shutil.rmtree(Path(path).parent)


def _replace(path: str) -> None:
    other = Database(f"{path}.other")
    other.write(_save("another's"))
    other.close()
    Path(f"{path}.other").rename(path)


@pytest.mark.parametrize("act", [_remove, _remove_folder, _replace, lambda path: Path(path).unlink()])
def test_a_file_that_was_removed_or_replaced_is_written_again_whole_at_the_next_commit(
    path: str, caplog: pytest.LogCaptureFixture, act: Callable[[str], None]
) -> None:
    opened = Database(path)
    for name in ("first", "second"):
        opened.write(_save(name))
    act(path)
    assert opened.write(_save("third"))
    assert not opened.in_memory
    assert _stored(path) == ["first", "second", "third"]
    assert "was removed or replaced while it was in use" in caplog.text
    held = Database(path)
    assert held.locked_out  # it is the one writer still
    held.close()
    opened.close()
    assert _stored(path) == ["first", "second", "third"]
    if act is _replace:
        assert _stored(f"{path}.set-aside-1") == ["another's"]


def test_a_file_that_turned_read_only_moves_the_history_to_memory(path: str, caplog: pytest.LogCaptureFixture) -> None:
    opened = Database(path)
    opened.write(_save("before"))
    opened.connection.execute("PRAGMA query_only = ON")
    assert opened.write(_save("after"))
    assert opened.in_memory
    assert _names(opened.connection) == ["after", "before"]
    assert "readonly" in caplog.messages[0]
    opened.close()


def test_what_a_file_held_that_can_neither_be_written_nor_read_is_reported_lost(path: str) -> None:
    def fail(connection: sqlite3.Connection) -> None:
        connection.close()  # whatever is asked of it from here on fails
        raise sqlite3.OperationalError("disk I/O error")

    opened = Database(path)
    assert not opened.write(fail)  # else the caller takes it for kept, and throws away what waited
    assert (opened.in_memory, _names(opened.connection)) == (True, [])
    opened.close()


def test_a_folder_that_cannot_be_is_said_once(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    (tmp_path / "file").write_text("no folder")
    path = str(tmp_path / "file" / "history.db")
    opened = Database(path)
    for number in range(3 * RETRY_AFTER_WRITES):
        assert opened.write(_save(str(number)))
    assert opened.in_memory
    assert len(caplog.messages) == 1
    assert path in caplog.messages[0]
    opened.close()


def test_what_was_kept_in_memory_goes_to_the_file_once_there_is_a_place_for_it(tmp_path: Path) -> None:
    origin = tmp_path / "state"
    origin.write_text("in the way")
    opened = Database(str(origin / "history.db"))
    opened.write(_save("early"))
    origin.unlink()
    for _ in range(RETRY_AFTER_WRITES):
        opened.write(_save("late"))
    assert not opened.in_memory
    opened.close()
    assert _stored(str(origin / "history.db")) == ["early", "late"]


def test_a_file_that_appeared_meanwhile_is_not_written_over(tmp_path: Path) -> None:
    origin = tmp_path / "state"
    origin.write_text("in the way")
    opened = Database(str(origin / "history.db"))
    origin.unlink()
    origin.mkdir()
    Path(origin / "history.db").write_bytes(b"restored from a backup")
    for _ in range(RETRY_AFTER_WRITES):
        opened.write(_save("late"))
    opened.close()
    assert (origin / "history.db.set-aside-1").read_bytes() == b"restored from a backup"
    assert _stored(str(origin / "history.db")) == ["late"]


# --- reading ----------------------------------------------------------------------------------------------------------


def test_a_reader_sees_what_the_writer_committed(path: str) -> None:
    writer = Database(path)
    writer.write(_save("one"))
    reader = open_to_read(path)
    assert _names(reader) == ["one"]
    writer.write(_save("two"))
    assert _names(reader) == ["one", "two"]
    with pytest.raises(sqlite3.OperationalError, match="readonly"):
        reader.execute("DELETE FROM state")
    reader.close()
    writer.close()


def test_a_reader_takes_no_lock_and_makes_no_file(path: str) -> None:
    Database(path).close()
    before = sorted(Path(path).parent.iterdir())
    reader = open_to_read(path)
    assert _names(reader) == []
    reader.close()
    assert sorted(Path(path).parent.iterdir()) == before


def test_a_reader_says_what_is_missing_or_not_ours(path: str) -> None:
    with pytest.raises(FileNotFoundError, match="there is no history"):
        open_to_read(path)
    Path(path).touch()
    with pytest.raises(NotOursError, match="nothing in it yet"):
        open_to_read(path)
    _newer(path)
    with pytest.raises(NotOursError, match="version"):
        open_to_read(path)
    Path(path).write_bytes(b"no database at all, but long enough to be one" * 30)
    with pytest.raises(sqlite3.DatabaseError, match="not a database"):
        open_to_read(path)


@pytest.mark.parametrize("spoil", [Path.touch, _no_database, _newer, _others, _torn])
def test_what_could_not_be_opened_is_closed(
    path: str, spoil: object, connections: list[sqlite3.Connection], monkeypatch: pytest.MonkeyPatch
) -> None:
    assert callable(spoil)
    spoil(Path(path))
    first = len(connections)
    with pytest.raises((NotOursError, sqlite3.DatabaseError)):
        open_to_read(path).execute("SELECT sum(length(content)) FROM state")
    monkeypatch.setattr(Path, "rename", _refuse)
    Database(path).close()
    for connection in connections[first:]:
        with pytest.raises(sqlite3.ProgrammingError, match="closed database"):
            connection.execute("SELECT 1")


def _refuse(file: Path, *_: object, **__: Any) -> None:
    raise PermissionError(errno.EACCES, "Permission denied", str(file))


def test_names_with_signs_that_mean_something_in_an_address_are_opened(tmp_path: Path) -> None:
    path = tmp_path / "the box? 100%#1.db"
    Database(str(path)).close()
    assert path.read_bytes().startswith(b"SQLite format 3")
    assert open_to_read(str(path)).execute("SELECT count(*) FROM boots").fetchone() == (0,)


def test_schema_that_is_no_text_is_damage(path: str) -> None:
    """SQLite quotes the bytes in its complaint, which is then no UTF-8 either."""
    opened = Database(path)
    opened.write(_save("one"))
    opened.close()
    raw = Path(path).read_bytes()
    name = b"tablestatestate"  # a row of sqlite_schema: its type, the table's name, once more
    assert name in raw
    Path(path).write_bytes(
        raw.replace(b"CREATE TABLE state", b"CREATE TABLE .tate").replace(name, b"table\xfdtate\xfdtate")
    )
    with pytest.raises(sqlite3.DatabaseError):
        open_to_read(path)
    again = Database(path)
    assert again.write(_save("two"))
    again.close()
    assert _stored(path) == ["two"]
    assert Path(f"{path}.set-aside-1").exists()


def test_no_fault_of_file_folder_or_clock_loses_anything(tmp_path: Path) -> None:
    assert len([*run_faults(tmp_path, times=2, seed=time.time_ns(), mounts=False)]) == 5
