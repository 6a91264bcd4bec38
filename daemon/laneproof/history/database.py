"""The database's file: opened, set aside where it cannot be used, and left for memory where it cannot be written.

Rules of this module: whatever is wrong with the file, the daemon goes on; what was in it is set aside, not thrown away;
and each thing that goes wrong is said once, in one line. There is one writer: a second one keeps its history in memory.
"""

import contextlib
import errno
import fcntl
import logging
import os
import sqlite3
from collections.abc import Callable
from pathlib import Path
from typing import TypeGuard

from laneproof.history.tables import MARK, MARK_AT, MIGRATIONS, NotOursError, check, migrate

_log = logging.getLogger(__name__)

IN_MEMORY = ":memory:"
RETRY_AFTER_WRITES = 15
"""In memory, how many commits (about a minute each) go by before the file is tried again."""

KEPT_ASIDE = 2
"""How many histories that were set aside are kept: what damages one may damage the next, until the disk is full."""

_COMPANIONS = ("", "-wal", "-shm")  # a write-ahead log that is left behind belongs to its database
_DAMAGE = frozenset({sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB})
_TRANSIENT = frozenset(
    {
        sqlite3.SQLITE_BUSY,
        sqlite3.SQLITE_CANTOPEN,
        sqlite3.SQLITE_FULL,
        sqlite3.SQLITE_IOERR,
        sqlite3.SQLITE_LOCKED,
        sqlite3.SQLITE_NOMEM,
        sqlite3.SQLITE_PERM,
        sqlite3.SQLITE_READONLY,
    }
)
"""What says nothing of the file's content. Source: sqlite.org, Result and Error Codes."""
_BUSY_SECONDS = 2.0
_SMALL_TABLES = (
    "boots",
    "watches",
    "passes",
    "buckets",
    "events",
    "findings",
    "changes",
    "inventories",
    "notes",
)
"""Those that are small; a sample that is no number is found when its series goes on."""

Work = Callable[[sqlite3.Connection], object]


class Database:
    """A connection that is always there: to the file, or to memory as long as the file cannot be used."""

    def __init__(self, path: str) -> None:
        """Open the file, or `IN_MEMORY`."""
        self.path = path
        self.in_memory = path == IN_MEMORY
        self.locked_out = False
        """Whether another process writes to the file."""
        self._lock = -1
        self._identity: tuple[int, int] | None = None
        self._wal_files: dict[str, tuple[int, int] | None] = {}  # SQLite's -wal and -shm: which files they are
        self._is_copy = False  # whether what is in memory holds all that the file holds
        self._writes_in_memory = 0
        self.connection = _open_memory() if self.in_memory else self._open_or_do_without()
        if not self.in_memory:
            self._note_files()

    def write(self, work: Work) -> bool:
        """Do one transaction, which may be tried twice; where the file fails, in memory instead.

        Returns:
            Whether it was kept; if not, the tables are new and empty, and what is known of their content is void.

        Raises:
            sqlite3.Error: The statements themselves are at fault, or memory is; nothing of them was done.
        """
        if self.in_memory and self.path != IN_MEMORY:
            self._writes_in_memory += 1
            if self._writes_in_memory % RETRY_AFTER_WRITES == 0:
                self._move_back_to_file()
        elif not self.in_memory and _identify(self.path) != self._identity and not self._recover_removed_file():
            return False
        try:
            _transact(self.connection, work)
        except sqlite3.Error as error:
            if self.in_memory or not _is_file_fault(error):
                raise
            return self._after_failure(error, work)
        return True

    def start_over(self, error: Exception) -> None:
        """Set the file aside, for it opened and yet cannot be read, and begin a new one.

        Raises:
            Exception: The error itself, where it says nothing of what the file holds and may be gone at the next try.
        """
        if self.in_memory or _is_transient(error):
            raise error
        self.connection.close()
        try:
            self._set_aside(error)
            self.connection = _open_file(self.path)
            self._note_files()
        except (OSError, sqlite3.Error) as second:
            _log.warning("history is kept in memory only, for %s cannot be used: %s", self.path, _why(second))
            self._move_to_memory(copy=False)

    def close(self) -> None:
        """Close it; the write-ahead log is folded into the file."""
        self.connection.close()
        self._give_up_lock()

    # --- opening --------------------------------------------------------------------------------------------------

    def _open_or_do_without(self) -> sqlite3.Connection:
        try:
            self._take_lock()
            return self._open_or_set_aside()
        except (OSError, sqlite3.Error) as error:
            _log.warning("history is kept in memory only, for %s cannot be used: %s", self.path, _why(error))
            self.in_memory = True
            return _open_memory()

    def _take_lock(self) -> None:
        """Be the one writer, for as long as the process lives."""
        if self._lock >= 0:
            return
        Path(self.path).parent.mkdir(parents=True, exist_ok=True)
        descriptor = os.open(f"{self.path}.lock", os.O_RDWR | os.O_CREAT | os.O_NOFOLLOW | os.O_CLOEXEC, 0o644)
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as error:
            os.close(descriptor)
            self.locked_out = True
            raise OSError(error.errno, "another laneproof writes to it") from error
        self._lock = descriptor

    def _note_files(self) -> None:
        """Note which files are open, to find them removed or replaced."""
        self._identity = _identify(self.path)
        self._wal_files = {name: _identify(name) for name in (f"{self.path}-wal", f"{self.path}-shm")}

    def _give_up_lock(self) -> None:
        if self._lock >= 0:
            os.close(self._lock)
            self._lock = -1

    def _open_or_set_aside(self) -> sqlite3.Connection:
        try:
            return _open_file(self.path)
        except (sqlite3.DatabaseError, NotOursError) as error:
            if isinstance(error, sqlite3.DatabaseError) and not _is_damage(error):
                raise
            self._set_aside(error)
            return _open_file(self.path)

    def _set_aside(self, error: Exception) -> None:
        aside = set_aside(self.path)
        _log.error("%s: %s; it was set aside as %s, and a new history begun", self.path, _why(error), aside)

    # --- when writing fails ---------------------------------------------------------------------------------------

    def _after_failure(self, error: sqlite3.DatabaseError, work: Work) -> bool:
        if _is_damage(error):
            self.start_over(error)
            return False
        _log.warning("history is kept in memory for now, for %s cannot be written: %s", self.path, _why(error))
        if not self._move_to_memory(copy=True):
            return False
        _transact(self.connection, work)
        return True

    def _recover_removed_file(self) -> bool:
        """Save all that a removed or replaced file held, which is still open; whether that could be read."""
        _log.error("%s was removed or replaced while it was in use", self.path)
        is_whole = self._move_to_memory(copy=True)
        for name, mine in self._wal_files.items():  # else they would be taken for the other file's
            if mine is not None and _identify(name) == mine:
                Path(name).unlink(missing_ok=True)
        self._give_up_lock()  # it may be gone as well, and then keeps nobody out
        self._move_back_to_file()
        return is_whole

    def _move_to_memory(self, *, copy: bool) -> bool:
        """Go on in memory, with all that the file holds where that can be read; whether it could."""
        memory = sqlite3.connect(IN_MEMORY, isolation_level=None, check_same_thread=False)
        self._is_copy = False
        if copy:
            with contextlib.suppress(sqlite3.Error):
                self.connection.backup(memory)
                self._is_copy = True
        with contextlib.suppress(sqlite3.Error):
            self.connection.close()
        migrate(memory)
        self.connection, self.in_memory, self._writes_in_memory = memory, True, 0
        return self._is_copy

    def _move_back_to_file(self) -> None:
        """Take all that was kept in memory back to the file."""
        try:
            self._take_lock()
            before = ""
            there = _identify(self.path)
            if there is not None and not (self._is_copy and there == self._identity):
                before = f"; what it held was never read and is set aside as {set_aside(self.path)}"
            file = _open_file(self.path)
            try:
                self.connection.backup(file)
                _tune(file)
            except sqlite3.Error:
                file.close()
                raise
        except (OSError, sqlite3.Error, NotOursError):
            return
        self.connection.close()
        self.connection, self.in_memory = file, False
        self._note_files()
        _log.warning("history is written to %s again%s", self.path, before or "; nothing was lost")


def _identify(path: str) -> tuple[int, int] | None:
    """Give what a file is known by, under any name; None where there is none, or it cannot be seen."""
    try:
        status = Path(path).stat()
    except OSError:
        return None
    return status.st_dev, status.st_ino


def open_to_read(path: str) -> sqlite3.Connection:
    """Open a database only to read it, while the daemon may be writing.

    A database of an earlier version is read as a copy that was brought to the newest one; the file stays as it is.

    Raises:
        FileNotFoundError: There is none.
        NotOursError: It is another program's, or a newer version's.
        sqlite3.Error: It cannot be read.
    """
    if not Path(path).exists():
        raise FileNotFoundError(f"{path}: there is no history")
    # Without a write-ahead log nobody has it open, and it does not change; opened in any other way, SQLite would make
    # files beside it, which the daemon may then not be allowed to write.
    how = "mode=ro" if Path(f"{path}-wal").exists() else "mode=ro&immutable=1"
    uri = f"{Path(path).absolute().as_uri()}?{how}"
    connection = sqlite3.connect(uri, uri=True, isolation_level=None, timeout=_BUSY_SECONDS)
    try:
        version = check(connection)
        newest = connection if version == len(MIGRATIONS) else _copy(connection) if version else None
    except BaseException:
        connection.close()
        raise
    if newest is not connection:
        connection.close()
    if newest is None:
        raise NotOursError("there is nothing in it yet")
    return newest


def _copy(connection: sqlite3.Connection) -> sqlite3.Connection:
    """Copy a database to a temporary one, which SQLite deletes when it is closed, and migrate that."""
    copy = sqlite3.connect("", isolation_level=None)
    try:
        connection.backup(copy)
        migrate(copy)
    except BaseException:
        copy.close()
        raise
    return copy


def set_aside(path: str) -> str:
    """Rename a database with all that belongs to it; gives its new name.

    Of all that were set aside and bear this program's mark, the newest stay; what does not is somebody else's.
    """
    numbers = _number_set_aside(path)
    aside = f"{path}.set-aside-{max(numbers, default=0) + 1}"
    for companion in _COMPANIONS:
        with contextlib.suppress(FileNotFoundError):
            Path(path + companion).rename(aside + companion)
    with contextlib.suppress(OSError):
        names = (f"{path}.set-aside-{number}" for number in sorted(_number_set_aside(path)))
        for name in [name for name in names if _bears_mark(name)][:-KEPT_ASIDE]:
            _remove_set_aside(name)
    return aside


def _number_set_aside(path: str) -> list[int]:
    """Give the numbers of what was set aside: the higher, the newer."""
    start = f"{Path(path).name}.set-aside-"
    ends = (file.name.removeprefix(start) for file in Path(path).parent.iterdir() if file.name.startswith(start))
    return [int(end) for end in ends if end.isdecimal()]


def _bears_mark(name: str) -> bool:
    with Path(name).open("rb") as file:
        file.seek(MARK_AT)
        return file.read(len(MARK)) == MARK


def _remove_set_aside(name: str) -> None:
    for companion in _COMPANIONS:
        Path(name + companion).unlink(missing_ok=True)
    _log.warning("%s was removed: of the histories that were set aside the newest %d are kept", name, KEPT_ASIDE)


def _open_file(path: str) -> sqlite3.Connection:
    if Path(path).is_symlink():  # SQLite would write what it points to; the files beside it no link leads away
        raise OSError(errno.ELOOP, "it is a symbolic link; name the folder that holds the history itself")
    connection = sqlite3.connect(path, timeout=_BUSY_SECONDS, isolation_level=None, check_same_thread=False)
    try:
        check(connection)  # before anything is changed: it may not be ours
        _tune(connection)
        _check_pages(connection)
        migrate(connection)
        _check_numbers(connection)
    except BaseException:
        connection.close()
        raise
    return connection


def _check_pages(connection: sqlite3.Connection) -> None:
    said = connection.execute("PRAGMA quick_check(1)").fetchone()[0]
    if said != "ok":
        raise _damage(said)


def _check_numbers(connection: sqlite3.Connection) -> None:
    """SQLite keeps any value in any column, so a page can be sound and hold words where a time should be."""
    for table in _SMALL_TABLES:
        columns = connection.execute(f"PRAGMA table_info({table})").fetchall()
        if not columns:
            raise _damage(f"there is no table {table}")
        numbers = [(name, kind) for _, name, kind, *_ in columns if kind in ("INTEGER", "REAL")]
        wrong = [f"typeof({name}) NOT IN ('integer', 'real', 'null') OR abs({name}) > 1e15" for name, _ in numbers]
        wrong += [f"{name} < 0" for name, kind in numbers if kind == "INTEGER"]
        if connection.execute(f"SELECT 1 FROM {table} WHERE {' OR '.join(wrong)} LIMIT 1").fetchone():  # noqa: S608 (our names)
            raise _damage(f"a row of {table} holds what is no number")


def _damage(what: str) -> sqlite3.DatabaseError:
    error = sqlite3.DatabaseError(f"damaged: {what}")
    error.sqlite_errorcode = sqlite3.SQLITE_CORRUPT
    return error


def _tune(connection: sqlite3.Connection) -> None:
    for pragma in (
        "journal_mode = WAL",
        "synchronous = NORMAL",  # a power cut may take the last minute, never the file
        "cache_size = -512",  # KiB: the daemon shares the box
        "wal_autocheckpoint = 256",  # pages: a megabyte
        "journal_size_limit = 1048576",
        "temp_store = MEMORY",
    ):
        connection.execute(f"PRAGMA {pragma}")


def _open_memory() -> sqlite3.Connection:
    connection = sqlite3.connect(IN_MEMORY, isolation_level=None, check_same_thread=False)
    migrate(connection)
    return connection


def _transact(connection: sqlite3.Connection, work: Work) -> None:
    connection.execute("BEGIN IMMEDIATE")
    try:
        work(connection)
        connection.execute("COMMIT")
    except BaseException:
        with contextlib.suppress(sqlite3.Error):  # some failures have rolled back already
            connection.execute("ROLLBACK")
        raise


def _is_damage(error: sqlite3.DatabaseError) -> bool:
    return getattr(error, "sqlite_errorcode", 0) & 0xFF in _DAMAGE


def _is_transient(error: Exception) -> bool:
    """Whether an error is of the machine at this moment, and not of what the file holds."""
    code = getattr(error, "sqlite_errorcode", 0) & 0xFF
    return isinstance(error, MemoryError) or (isinstance(error, sqlite3.OperationalError) and code in _TRANSIENT)


def _is_file_fault(error: sqlite3.Error) -> TypeGuard[sqlite3.DatabaseError]:
    """Whether the file is at fault, and not what was asked of it."""
    return isinstance(error, sqlite3.OperationalError) or (
        isinstance(error, sqlite3.DatabaseError) and _is_damage(error)
    )


def _why(error: Exception) -> str:
    return (error.strerror or str(error)) if isinstance(error, OSError) else str(error)
