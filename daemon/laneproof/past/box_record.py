"""What earlier passes leave behind of the box beside its links and NVMe drives.

How counters grew, which arrays were checked, which fans turned, which file systems could be written.

Rules of this module: plain values, no judgement. A counter that falls begins again; what was counted before the first
pass is no growth. It keeps a week of growth by the hour.
"""

from collections import Counter as Counted
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from typing import NamedTuple

from laneproof.declaration.raid_levels import LEVELS
from laneproof.past.counters import moved_on
from laneproof_collectors.snapshot import Array, Fan, SataDrive, Snapshot
from laneproof_collectors.unread import Unread, if_read

HOUR, DAY, WEEK = 3600.0, 86400.0, 7 * 86400.0
CHECKING = ("check", "repair")
"""Sync actions that read every member and compare. Source: Documentation/admin-guide/md.rst, sync_action."""

_AS_GOOD_AS_DONE = 0.99
_READINGS_APART = 60.0  # the last reading before the end may lie this far before it
_SLACK = 1.25  # paces differ: the inner tracks of a spinning drive are slower than the outer ones


class Counter(NamedTuple):
    """One counter as it stands."""

    key: str  # what it counts, of what: see `key_of`
    value: int = 0
    per_boot: bool = True  # it begins at 0 with each boot; else it is the device's own and goes on
    from_zero: bool = False  # what a new boot has counted before the first pass at it is growth too


@dataclass(frozen=True, slots=True, kw_only=True)
class CounterGrowth:
    """How one counter grew while it was watched."""

    since: float
    last: int
    boot_id: str  # the boot in which `last` was read
    # growth by the hour, oldest first: when the hour began, and by how much; hours without any left out
    hours: tuple[tuple[float, int], ...] = ()

    def within(self, seconds: float, *, now: float) -> int:
        """Add up the growth of the hours that began within this time before now."""
        return sum(amount for began, amount in self.hours if began > now - seconds - HOUR)


@dataclass(frozen=True, slots=True, kw_only=True)
class ArrayChecks:
    """What was seen of one array's checks."""

    since: float
    ended_at: float | None = None  # when a check was last seen to come to its end, None where none was
    share: float | None = None  # how far a check was that runs, 0..1; None where none runs
    share_at: float = 0.0  # when that was
    pace: float | None = None  # share a second, as last seen; None where it was not


@dataclass(frozen=True, slots=True, kw_only=True)
class BoxRecord:
    """What earlier passes leave behind of the box."""

    growth: Mapping[str, CounterGrowth] = field(default_factory=dict)  # each counter's, by its key
    checks: Mapping[str, ArrayChecks] = field(default_factory=dict)  # each array's, by its name
    turning: Mapping[str, float] = field(default_factory=dict)  # when each fan was last seen turning, by `name_fans`
    still: Mapping[str, float] = field(default_factory=dict)  # since when each fan that was seen turning stands still
    rests: Mapping[str, int] = field(default_factory=dict)  # how often each fan stood still and turned again
    # the boot in which each file system was last seen writable, by `mount_key`
    writable: Mapping[str, str] = field(default_factory=dict)

    def grown(self, key: str, *, within: float, now: float) -> int:
        """How much a counter grew within this time; 0 where it is not known."""
        growth = self.growth.get(key)
        return growth.within(within, now=now) if growth else 0

    def hours_grown(self, key: str, *, within: float, now: float) -> int:
        """In how many hours of this time a counter grew."""
        growth = self.growth.get(key)
        return sum(began > now - within - HOUR for began, _ in growth.hours) if growth else 0

    def watched(self, key: str, *, now: float) -> float:
        """For how long a counter has been watched, in seconds."""
        growth = self.growth.get(key)
        return max(0.0, now - growth.since) if growth else 0.0


def key_of(kind: str, name: str, counter: str) -> str:
    """Name a counter: ``interface eno1 carrier_changes``."""
    return f"{kind} {name} {counter}"


def name_fans(fans: Iterable[Fan]) -> Iterator[tuple[str, Fan]]:
    """Name each fan by its chip and label; those that share both are numbered."""
    seen: Counted[tuple[str, str]] = Counted()
    for fan in fans:
        seen[fan.chip, fan.label] += 1
        count = seen[fan.chip, fan.label]
        yield f"{fan.chip} {fan.label}" + (f" #{count}" if count > 1 else ""), fan


def mount_key(device: str, mount: str) -> str:
    """Name a mounted file system."""
    return f"{device} at {mount}"


def follow_box(book: BoxRecord, snapshot: Snapshot, *, clock_set_by: float = 0.0) -> BoxRecord:
    """Add one pass to what was known before; what could not be read leaves that.

    `clock_set_by` says by how many seconds the machine's clock was set since the pass before: growth, and since when a
    fan stands still, are dated again by as much, so that they age by the time that the machine was on.
    """
    rpm = dict(_read_fans(snapshot))
    turning = {name for name, turns in rpm.items() if turns > 0}
    standing = dict.fromkeys((name for name in rpm.keys() - turning if name in book.turning), snapshot.taken_at)
    stood_before = {name: since + clock_set_by for name, since in book.still.items()}
    return BoxRecord(
        growth=_follow_counters(_date_again(book.growth, clock_set_by), snapshot),
        checks=_follow_checks(book.checks, snapshot),
        turning={**book.turning, **dict.fromkeys(turning, snapshot.taken_at)},
        still={name: since for name, since in (standing | stood_before).items() if name not in turning},
        rests={**book.rests, **{name: book.rests.get(name, 0) + 1 for name in turning if name in book.still}},
        writable={**book.writable, **dict(_writable_file_systems(snapshot))},
    )


# --- counters ---------------------------------------------------------------------------------------------------------


def list_counters(snapshot: Snapshot) -> Iterator[Counter]:
    """Give every counter whose growth is watched here; one that could not be read is left out."""
    for counter, value in _list_readings(snapshot):
        if isinstance(value, int):
            yield counter._replace(value=value)


def _list_readings(snapshot: Snapshot) -> Iterator[tuple[Counter, object]]:
    for interface in if_read(snapshot.interfaces):
        for name in ("carrier_changes", "receive_errors", "transmit_errors"):
            yield Counter(key_of("interface", interface.name, name)), getattr(interface, name)
    for bond in if_read(snapshot.bonds):
        for member in bond.members:
            yield Counter(key_of("member", member.name, "link_failures")), member.link_failures
    for controller in () if isinstance(snapshot.memory, Unread) else snapshot.memory.edac:
        for name in ("correctable", "uncorrectable"):
            yield Counter(key_of("memory", controller.name, name), from_zero=True), getattr(controller, name)
    for package, count in {} if isinstance(snapshot.thermal, Unread) else snapshot.thermal.throttle_counts.items():
        yield Counter(key_of("processor", package, "throttled"), from_zero=True), count
    drives = if_read(snapshot.drives)
    serials = Counted(name_drive(drive) for drive in drives)
    for drive in drives:
        key = name_drive(drive, shares_serial=serials[name_drive(drive)] > 1)
        for name in ("interface_errors", "reallocated_sectors", "uncorrectable_sectors"):
            yield Counter(key_of("drive", key, name), per_boot=False), getattr(drive, name)


def name_drive(drive: SataDrive, *, shares_serial: bool = False) -> str:
    """Name a drive by what stays with it: its serial number where it has one of its own; else its position."""
    if isinstance(drive.serial, str) and drive.serial and not shares_serial:
        return drive.serial
    return (shares_serial and drive.path) or drive.name


def _follow_counters(known: Mapping[str, CounterGrowth], snapshot: Snapshot) -> Mapping[str, CounterGrowth]:
    now, boot_id = snapshot.taken_at, snapshot.boot_id
    moved: dict[str, CounterGrowth] = {}
    for counter in list_counters(snapshot):
        before = known.get(counter.key)
        if before is None:
            moved[counter.key] = CounterGrowth(since=now, last=counter.value, boot_id=boot_id)
        elif before.last != counter.value or before.boot_id != boot_id:
            moved[counter.key] = _grow(before, counter, now=now, boot_id=boot_id)
    return {**known, **moved} if moved else known


def _date_again(known: Mapping[str, CounterGrowth], by: float) -> Mapping[str, CounterGrowth]:
    if not by:
        return known
    return {
        key: replace(
            growth, since=growth.since + by, hours=tuple((began + by, amount) for began, amount in growth.hours)
        )
        for key, growth in known.items()
    }


def _grow(before: CounterGrowth, counter: Counter, *, now: float, boot_id: str) -> CounterGrowth:
    is_new_boot = counter.per_boot and bool(boot_id) and bool(before.boot_id) and boot_id != before.boot_id
    begun_at = (0 if counter.from_zero else counter.value) if is_new_boot else before.last
    amount = moved_on(begun_at, counter.value) or 0
    return replace(before, last=counter.value, boot_id=boot_id, hours=_add(before.hours, amount, now=now))


def _add(hours: tuple[tuple[float, int], ...], amount: int, *, now: float) -> tuple[tuple[float, int], ...]:
    hour = now - now % HOUR
    kept = tuple(row for row in hours if row[0] > now - WEEK)
    if not amount:
        return kept
    if kept and kept[-1][0] == hour:
        return (*kept[:-1], (hour, kept[-1][1] + amount))
    return (*kept, (hour, amount))


# --- arrays -----------------------------------------------------------------------------------------------------------


def _follow_checks(known: Mapping[str, ArrayChecks], snapshot: Snapshot) -> Mapping[str, ArrayChecks]:
    now = snapshot.taken_at
    moved = {
        array.name: _follow_check(known.get(array.name) or ArrayChecks(since=now), array, now)
        for array in if_read(snapshot.arrays)
    }
    changed = {name: check for name, check in moved.items() if known.get(name) != check}
    return {**known, **changed} if changed else known


def _follow_check(before: ArrayChecks, array: Array, now: float) -> ArrayChecks:
    if isinstance(array.sync_action, Unread):
        return before
    if array.sync_action in CHECKING:
        share = array.sync_completed
        if not isinstance(share, int | float) or share == before.share:
            return before if before.share is not None else replace(before, share=0.0, share_at=now)
        moved = before.share is not None and share > before.share and now > before.share_at
        pace = (share - (before.share or 0.0)) / (now - before.share_at) if moved else _estimate_pace(array)
        return replace(before, share=float(share), share_at=now, pace=pace or before.pace)
    if before.share is None:
        return before
    ended_at = now if _came_to_its_end(before, now) else before.ended_at
    return replace(before, share=None, pace=None, ended_at=ended_at)


def _estimate_pace(array: Array) -> float | None:
    """Work out a check's pace from its speed, which is that of one member; None where a member's size is not known."""
    speed, part = array.sync_bytes_per_second, component_bytes(array)
    return speed / part if isinstance(speed, int | float) and part else None


def component_bytes(array: Array) -> float | None:
    """Give how much of each member an array uses; None where its level leaves that open here.

    Source: md(4); drivers/md/md.c, md_do_sync counts a member's sectors at these levels (from memory).
    """
    size, wanted, level = array.size_bytes, array.members_wanted, LEVELS.get(str(array.level))
    if not isinstance(size, int) or not isinstance(wanted, int) or not size or not wanted or level is None:
        return None
    is_open = not level.parity and level.copies is not None  # stripes over members of any size
    parts = 0 if is_open else level.data_members(wanted)
    return size / parts if parts > 0 else None


def _came_to_its_end(before: ArrayChecks, now: float) -> bool:
    """Whether a check that no longer runs came to its end, by its pace, and was not stopped."""
    share = before.share or 0.0
    if share >= _AS_GOOD_AS_DONE:
        return True
    gone_by = now - before.share_at + _READINGS_APART
    return before.pace is not None and share + before.pace * gone_by * _SLACK >= 1.0


# --- fans and file systems --------------------------------------------------------------------------------------------


def _read_fans(snapshot: Snapshot) -> Iterator[tuple[str, int]]:
    for name, fan in name_fans(() if isinstance(snapshot.thermal, Unread) else snapshot.thermal.fans):
        if isinstance(fan.rpm, int):
            yield name, fan.rpm


def _writable_file_systems(snapshot: Snapshot) -> Iterator[tuple[str, str]]:
    for file_system in if_read(snapshot.file_systems):
        if file_system.read_only is False:
            yield mount_key(file_system.device, file_system.mount), snapshot.boot_id
