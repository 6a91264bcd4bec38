"""Boots, watches (stretches in which the daemon read the machine without a break), and the clock's steps.

Rules of this module: order is by the number of the pass, never by the clock; a clock that is set is a correction, so
what was noted in the same boot before gets a new date by its seconds since boot.
"""

import sqlite3
from dataclasses import dataclass

from laneproof.history.batch import Batch
from laneproof.history.live_series import PassMark
from laneproof.history.series import Watch
from laneproof.past.boots import describe_boot
from laneproof.past.timeline import STEP_SECONDS
from laneproof_collectors.snapshot import Snapshot

HOLE_SECONDS = 900.0
"""Passes farther apart than this (suspended, hung, stopped) leave a gap: three heartbeats."""


@dataclass(slots=True)
class _Now:
    """The boot and the watch that go on."""

    boot: int
    boot_id: str
    offset: float  # unix seconds at up 0
    facts: tuple[str | None, ...]
    up: float
    watch: int
    mark: PassMark | None  # the last pass of this run; None before the first


class BootWriter:
    """Gives each pass its number and its boot, and writes down boots and watches."""

    def __init__(self, connection: sqlite3.Connection, *, last_pass: int, hole_seconds: float = HOLE_SECONDS) -> None:
        """Begin with the last boot known, and the highest number of a pass given out so far."""
        self._connection = connection
        self._last_pass = last_pass
        self._hole_seconds = hole_seconds
        self._now: _Now | None = None
        row = connection.execute(
            "SELECT b.id, b.boot_id, b.clock_offset, b.bios_version, b.bios_date, b.kernel_release, w.ended_up, w.id"
            " FROM boots b JOIN watches w ON w.boot = b.id ORDER BY w.id DESC LIMIT 1"
        ).fetchone()
        if row is not None:
            number, boot_id, offset, *facts, up, watch = row
            self._now = _Now(number, boot_id, offset, tuple(facts), up, watch, None)

    @property
    def last_boot(self) -> int | None:
        """The last boot's number, None before the first."""
        return None if self._now is None else self._now.boot

    @property
    def boot(self) -> int | None:
        """The number of the boot that passes of this run were in; None before the first pass."""
        return None if self._now is None or self._now.mark is None else self._now.boot

    def find(self, boot_id: str) -> int | None:
        """Give the number of a boot by its name, with dashes or without; None where it was not seen."""
        row = self._connection.execute(
            "SELECT id FROM boots WHERE replace(boot_id, '-', '') = ? ORDER BY id DESC", (boot_id.replace("-", ""),)
        ).fetchone()
        return None if row is None else int(row[0])

    def clock_step(self, snapshot: Snapshot) -> float:
        """Give by how many seconds the clock was set since the last pass of the same boot; 0: it was not."""
        now = self._now
        if now is None or not self._is_same_boot(now, snapshot) or snapshot.up_seconds - now.up < 1.0:
            return 0.0
        step = snapshot.taken_at - snapshot.up_seconds - now.offset
        return step if abs(step) > STEP_SECONDS else 0.0

    def clock_was_set(self, step: float) -> None:
        """Move the last pass by as much as its rows were."""
        now = self._now
        if now is not None:
            now.offset += step
            if now.mark is not None:
                now.mark = now.mark._replace(t=now.mark.t + step)

    def is_new_boot(self, snapshot: Snapshot) -> bool:
        """Return whether a pass is the first of a boot that was not seen before."""
        return self._now is None or not self._is_same_boot(self._now, snapshot)

    def begin_pass(self, snapshot: Snapshot, to: Batch) -> tuple[PassMark, bool]:
        """Begin one pass; gives it, and whether it is the first of a boot that was not seen before."""
        self._last_pass += 1
        now, is_new = self._now, self.is_new_boot(snapshot)
        mark = PassMark(self._last_pass, 0, snapshot.taken_at, snapshot.up_seconds)
        if now is None or is_new:
            self.heartbeat(to)
            now = self._now = self._begin_boot(snapshot, mark, to)
            mark = mark._replace(boot=now.boot)
            now.watch = self._begin_watch(mark, to)
        else:
            mark = mark._replace(boot=now.boot)
            if mark.up - now.up > self._hole_seconds:
                self.heartbeat(to)
                now.watch = self._begin_watch(mark, to)
        self._note_facts(now, snapshot, to)
        now.offset, now.up, now.mark = mark.t - mark.up, mark.up, mark
        return mark, is_new

    def heartbeat(self, to: Batch) -> None:
        """Note until when somebody watched: with each commit, and at the end of each stretch."""
        now = self._now
        if now is not None and (mark := now.mark) is not None:
            row = (mark.id, round(mark.t, 3), round(mark.up, 3), now.watch)
            to.add("UPDATE watches SET last_pass = ?, ended_at = ?, ended_up = ? WHERE id = ?", row)
            to.add("UPDATE boots SET clock_offset = ? WHERE id = ?", (round(now.offset, 3), now.boot))

    def _is_same_boot(self, now: _Now, snapshot: Snapshot) -> bool:
        boot_id = snapshot.boot_id
        if boot_id and now.boot_id:
            return boot_id == now.boot_id
        return snapshot.up_seconds >= now.up  # one of them is not known: time since boot that fell is a new one

    def _begin_boot(self, snapshot: Snapshot, mark: PassMark, to: Batch) -> _Now:
        number = to.next_number("boots")
        facts = _facts(snapshot)
        offset = mark.t - mark.up
        row = (number, snapshot.boot_id, mark.t, mark.id, offset, *facts)
        to.add(
            "INSERT INTO boots (id, boot_id, first_seen_at, first_pass, clock_offset, bios_version, bios_date,"
            " kernel_release) VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
            row,
        )
        return _Now(number, snapshot.boot_id, offset, facts, mark.up, 0, None)

    def _note_facts(self, now: _Now, snapshot: Snapshot, to: Batch) -> None:
        """Fill in what the boot's first pass could not read."""
        facts = tuple(old if new is None else new for new, old in zip(_facts(snapshot), now.facts, strict=True))
        boot_id = snapshot.boot_id or now.boot_id
        if (facts, boot_id) != (now.facts, now.boot_id):
            now.facts, now.boot_id = facts, boot_id
            to.add(
                "UPDATE boots SET boot_id = ?, bios_version = ?, bios_date = ?, kernel_release = ? WHERE id = ?",
                (boot_id, *facts, now.boot),
            )

    def _begin_watch(self, mark: PassMark, to: Batch) -> int:
        number = to.next_number("watches")
        t, up = round(mark.t, 3), round(mark.up, 3)
        to.add(
            "INSERT INTO watches (id, boot, first_pass, last_pass, began_at, ended_at, ended_up)"
            " VALUES (?, ?, ?, ?, ?, ?, ?)",
            (number, mark.boot, mark.id, mark.id, t, t, up),
        )
        return number


def redate(connection: sqlite3.Connection, boot: int, step: float) -> None:
    """Move what a boot noted before its clock was set by as many seconds as the clock; in a transaction."""
    for table, *columns in (
        ("passes", "t"),
        ("watches", "began_at", "ended_at"),
        ("buckets", "began_at", "ended_at"),
        ("events", "t", "last_t"),
        ("inventories", "t"),
    ):
        moved = ", ".join(f"{column} = {column} + :step" for column in columns)
        connection.execute(f"UPDATE {table} SET {moved} WHERE boot = :boot", {"step": step, "boot": boot})  # noqa: S608 (our names)
    connection.execute(
        "UPDATE boots SET first_seen_at = first_seen_at + :step, clock_offset = clock_offset + :step WHERE id = :boot",
        {"step": step, "boot": boot},
    )


def load_watches(connection: sqlite3.Connection) -> tuple[Watch, ...]:
    """Give all watches, in their order."""
    rows = connection.execute("SELECT boot, first_pass, last_pass, began_at, ended_at FROM watches ORDER BY id")
    return tuple(
        Watch(boot=boot, first_pass=first, last_pass=last, began_at=began, ended_at=ended)
        for boot, first, last, began, ended in rows
    )


def _facts(snapshot: Snapshot) -> tuple[str | None, str | None, str | None]:
    boot = describe_boot(snapshot, snapshot.taken_at)
    return boot.bios_version, boot.bios_date, boot.kernel_release
