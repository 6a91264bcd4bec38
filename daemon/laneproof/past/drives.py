"""Each drive over time: what it counts, how worn and how warm it is. The record goes with the drive to any position.

A count that moved by several between two readings is one rise: when each came is not known. A count that fell belongs
to another drive or another counter, and begins again.
"""

import math
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Annotated

from pydantic import Field

from laneproof.box.occupants import Occupant
from laneproof.past.counters import fell, moved_on
from laneproof.past.drive_load import LoadRecord, Window
from laneproof.past.drive_ports import DrivePorts
from laneproof.past.timeline import Timeline
from laneproof_collectors.snapshot import HealthLog, NvmeController, SataDrive, TemperatureReading
from laneproof_collectors.unread import Unread

_ABSENT_SECONDS = 600.0
"""A drive that a pass did not find was not taken away if it is back sooner. Our choice."""
KNOWN_SECONDS = 30 * 86400.0
"""How long a drive whose serial number cannot be read is taken for the one last seen in its position. Our choice."""
_MOST_TIMES = 200
_WITNESSES = 2  # so many other drives must have been given power more often
_HOURS_A_DAY = 24
_KEPT_HOURS = 7 * _HOURS_A_DAY
_HOUR = 3600.0
NEAR_WARNING_CELSIUS = 5.0
"""A drive this near to its own warning threshold is called hot. Our choice."""
_SENSIBLE_LIMITS = (30.0, 120.0)  # a threshold that nobody set reads 0 K, or the largest number that fits (no source)
_NOT_COLD_CELSIUS = 30.0  # a drive's alarm is for cold too; below this it does not mean heat (our choice)
_MINUTES = 60
_MINUTE = 60.0
_READINGS_APART_SECONDS = 10.0
_KEPT_READINGS = 30

TEMPERATURE_WARNING = 1 << 1
"""The bit of the critical warning for a temperature beyond a threshold. Source: NVM Express Base Specification 2.0,
5.16.1.3."""
WATCHED = (
    "media_errors",
    "unsafe_shutdowns",
    "power_cycles",
    "warning_temperature_minutes",
    "critical_temperature_minutes",
    "thermal_transitions_1",
    "thermal_transitions_2",
)
"""Counters of the health log whose steps are kept; the number of error log entries is not among them: programs that ask
for what a drive does not support raise it."""

HOST_COUNTS = ("data_units_read", "data_units_written", "host_read_commands", "host_write_commands")
"""Counters of the health log that move with each piece of work. Its power-on hours need not: they may leave out time in
a low-power state. Source: NVM Express Base Specification 2.0, 5.16.1.3."""
COUNTED_IN_MINUTES = ("warning_temperature_minutes", "critical_temperature_minutes")
POWER_COUNTS = ("power_cycles", "unsafe_shutdowns")


@dataclass(frozen=True, slots=True, kw_only=True)
class Rise:
    """A counter that moved between two readings."""

    at: float  # the later reading, ledger time
    by: int  # how far
    same_boot: bool = True  # whether the machine ran on in between, and did not sleep
    boots: int = 0  # how many boots began in between


@dataclass(slots=True, kw_only=True)
class Steps:
    """A figure that is kept only where it changed: when, powered hours, value."""

    rows: list[tuple[float, int, int]] = field(default_factory=list)

    def note(self, at: float, hours: int, value: int) -> None:
        """Keep a reading that differs from the last one."""
        if not self.rows or self.rows[-1][2] != value:
            self.rows.append((at, hours, value))
            if len(self.rows) > _MOST_TIMES:
                del self.rows[1]  # the first stays: the slope is taken from it


@dataclass(slots=True, kw_only=True)
class HourHeat:
    """Temperatures of one hour."""

    hour: int  # which, in hours since the epoch
    readings: int = 0
    mean_celsius: float = 0.0
    highest_celsius: float = 0.0
    # how many readings of the kernel's thermometer were at the drive's warning threshold or above
    seen_above: int = 0
    seen_critical: int = 0  # likewise its critical threshold


@dataclass(frozen=True, slots=True, kw_only=True)
class HeatReading:
    """One temperature."""

    at: float
    celsius: float
    hot: bool | None  # whether that is near the drive's own limit, or it raised its alarm; None where no limit is known


@dataclass(frozen=True, slots=True, kw_only=True)
class SeenHeat:
    """How long a drive was seen above its thresholds, where its own count of minutes cannot be had.

    An hour counts by the share of its readings; what lies between hours that were looked at counts for nothing.
    """

    minutes: int  # at its warning threshold or above
    days: int  # on how many days
    critical: int  # in how many readings at its critical threshold or above
    hours: int  # in how many hours it was looked at, by whatever means


@dataclass(slots=True, kw_only=True)
class UnmovedHealthLog:
    """Since when a health log's counts of the host's reads and writes have not moved, whatever the disk moved."""

    counts: tuple[int, ...] = ()  # the counts; empty where the log lacks one or has never counted anything
    since: float = 0.0  # when they were first read like this, ledger time
    # what the block layer says was read and written since, and took effect before the last reading
    moved_bytes: int = 0

    def follow(self, health: HealthLog | Unread, window: Window | None, now: float) -> None:
        """Add a health log and what the disk moved until it was read; None where that is not known."""
        if isinstance(health, Unread):
            return
        counts = tuple(getattr(health, name) for name in HOST_COUNTS if name not in health.absent)
        if len(counts) < len(HOST_COUNTS) or not any(counts):
            counts = ()
        if counts != self.counts:
            self.counts, self.since, self.moved_bytes = counts, now, 0
        elif counts and window is not None and window.operations is not None:
            self.moved_bytes += window.moved_bytes


@dataclass(slots=True, kw_only=True)
class DriveRecord:
    """What passes add up to for one drive."""

    serial: str  # its serial number; its path where it has none of its own
    path: str = ""
    name: str = ""
    model: str | None = None
    firmware: str | None = None
    capacity_bytes: int | None = None
    first_at: float = 0.0
    last_at: float = 0.0
    returned_at: float = 0.0  # when it was last seen again after an absence; 0 if never
    # all positions it was seen in, with the time from which on
    paths: list[tuple[float, str]] = field(default_factory=list)
    counters: dict[str, int] = field(default_factory=dict)  # its counters at the last reading
    counters_at: float = 0.0  # when that was; 0 if never
    counters_boot: int = -1  # number of the boot of that reading
    # the firmware that counted then; another may count otherwise, and its first count is no growth
    counted_by: str | None = None
    health_since: float = 0.0  # when its health was first read
    answered_at: float = 0.0  # when its health was last read; 0 if never
    rises: dict[str, list[Rise]] = field(default_factory=dict)  # by counter, when it moved
    wear: Steps = field(default_factory=Steps)  # percentage used
    spare: Steps = field(default_factory=Steps)  # available spare, percent
    written: int | None = None  # data units written at the last reading; None where it was never read
    # when it was first read, ledger time, and how many had been written by then
    written_since: tuple[float, int] | None = None
    hours: int | None = None  # powered hours at the last reading
    spare_threshold: int | None = None
    heat: list[HourHeat] = field(default_factory=list)  # temperatures by the hour
    celsius: float | None = None
    celsius_at: float = 0.0
    readings: list[HeatReading] = field(default_factory=list)  # the last temperatures, oldest first
    warning_celsius: float | None = None
    critical_celsius: float | None = None
    warns: bool = False  # whether it raised its own alarm of heat, by the kernel's thermometer, at the last reading
    temperature_warned_at: float = 0.0  # when its log last warned of a temperature; 0 if never
    load: LoadRecord = field(default_factory=LoadRecord)
    still: UnmovedHealthLog = field(default_factory=UnmovedHealthLog)  # whether its health log stands still
    external: bool = False  # whether it was in an enclosure of its own that may be unplugged
    # its ports, or the paths to it: the positions that lead to it, and those that did
    ports: Annotated[DrivePorts, Field(alias="ways")] = field(default_factory=DrivePorts)
    # what changed in its identity that should never change: when and what
    doubts: list[tuple[float, str]] = field(default_factory=list)

    def risen(self, counter: str, since: float = 0.0) -> list[Rise]:
        """Give the times that a counter moved, oldest first."""
        return [rise for rise in self.rises.get(counter, ()) if rise.at >= since]

    def is_hot(self) -> bool | None:
        """Whether the last temperature is near its own warning threshold; None where either is not known.

        A drive that states no warning threshold is held to its critical one.
        """
        limit = self.critical_celsius if self.warning_celsius is None else self.warning_celsius
        if self.warns:
            return True
        if self.celsius is None or limit is None:
            return None
        return self.celsius >= limit - NEAR_WARNING_CELSIUS

    def reading_before(self, moment: float) -> HeatReading | None:
        """Give the last temperature read before a moment, None where none is known."""
        return next((reading for reading in reversed(self.readings) if reading.at <= moment), None)

    def count_before(self, counter: str, moment: float) -> int | None:
        """Give what a counter stood at before a moment, None where it was not read by then."""
        count = self.counters.get(counter)
        if count is None or not 0.0 < self.health_since <= moment:
            return None
        return count - sum(rise.by for rise in self.risen(counter) if rise.at > moment)

    def grown_since(self, counter: str, moment: float) -> int | None:
        """Give how far a counter moved on since a moment, None where it was not read by then."""
        before = self.count_before(counter, moment)
        return None if before is None else self.counters[counter] - before

    def is_above(self) -> bool:
        """Whether it is known to be at its own warning threshold or above, by the last reading."""
        return self.warns or _reaches(self.celsius, self.warning_celsius)

    def seen_heat(self, since: float) -> SeenHeat:
        """Give how long it was seen above its thresholds since a moment, by readings of the kernel's thermometer."""
        rows = [row for row in self.heat if row.hour * _HOUR >= since - _HOUR]
        hot = [row for row in rows if row.seen_above]
        return SeenHeat(
            minutes=round(sum(_MINUTES * row.seen_above / row.readings for row in hot)),
            days=len({row.hour // _HOURS_A_DAY for row in hot}),
            critical=sum(row.seen_critical for row in rows),
            hours=len(rows),
        )

    def read_health(self, health: HealthLog, timeline: Timeline) -> None:
        """Take one reading of its health log."""
        self.answered_at = timeline.now
        self._count({name: getattr(health, name) for name in WATCHED if name not in health.absent}, timeline)
        if "power_on_hours" not in health.absent:
            self.hours = health.power_on_hours
        if "percentage_used" not in health.absent:
            self.wear.note(timeline.now, health.power_on_hours, health.percentage_used)
        if "data_units_written" not in health.absent:
            if self.written_since is None or fell(self.written, health.data_units_written):
                self.written_since = timeline.now, health.data_units_written
            self.written = health.data_units_written
        if {"available_spare_percent", "available_spare_threshold_percent"}.isdisjoint(health.absent):
            self.spare.note(timeline.now, health.power_on_hours, health.available_spare_percent)
            self.spare_threshold = health.available_spare_threshold_percent
        self.warns = False  # the log's own warning is another rule's matter
        if health.critical_warning & TEMPERATURE_WARNING:
            self.temperature_warned_at = timeline.now
        self._add_temperature(health.composite_temperature_celsius, timeline.now)

    def read_sata(self, drive: SataDrive, timeline: Timeline) -> None:
        """Take one reading of a SATA, SAS or USB drive; its own counters are other rules' matter."""
        if not isinstance(drive.healthy, Unread):
            self.answered_at = timeline.now
        if isinstance(drive.temperature_celsius, int | float):
            self._add_temperature(float(drive.temperature_celsius), timeline.now)

    def _count(self, values: dict[str, int], timeline: Timeline) -> None:
        boots = timeline.boots - self.counters_boot
        minutes = (timeline.now - self.counters_at) / _MINUTE + 1.0  # no drive was hot for longer than time went by
        is_other_firmware = None not in (self.firmware, self.counted_by) and self.firmware != self.counted_by
        self.counted_by = self.firmware
        ran_on = boots == 0 and not timeline.slept_since(self.counters_at)
        for name, value in values.items():
            before = self.counters.get(name)
            by = moved_on(before, value, most=minutes if name in COUNTED_IN_MINUTES else math.inf)
            if fell(before, value):
                self.rises.pop(name, None)
            elif by and (not is_other_firmware or name == "power_cycles"):
                rises = self.rises.setdefault(name, [])
                rises.append(Rise(at=timeline.now, by=by, same_boot=ran_on, boots=boots))
                del rises[:-_MOST_TIMES]
        self.counters.update(values)
        self.counters_at, self.counters_boot = timeline.now, timeline.boots
        self.health_since = self.health_since or timeline.now

    def _add_temperature(self, celsius: float | None, now: float) -> HourHeat | None:
        if celsius is None:
            return None
        self.celsius, self.celsius_at = celsius, now
        if not self.readings or now - self.readings[-1].at >= _READINGS_APART_SECONDS:
            self.readings.append(HeatReading(at=now, celsius=celsius, hot=self.is_hot()))
            del self.readings[:-_KEPT_READINGS]
        hour = int(now // _HOUR)
        if not self.heat or self.heat[-1].hour != hour:
            self.heat.append(HourHeat(hour=hour, highest_celsius=celsius))
            while self.heat[0].hour <= hour - _KEPT_HOURS:
                del self.heat[0]
        row = self.heat[-1]
        row.readings += 1
        row.mean_celsius += (celsius - row.mean_celsius) / row.readings
        row.highest_celsius = max(row.highest_celsius, celsius)
        return row

    def read_limits(self, controller: NvmeController) -> None:
        """Learn its own temperature limits, from Identify or else from the kernel's thermometer of it.

        Identify comes first: what the thermometer gives as its maximum is the threshold in force, which is the drive's
        own as long as nobody set another.
        """
        identity = controller.identity
        if not isinstance(identity, Unread):
            self.warning_celsius = identity.warning_temperature_celsius
            self.critical_celsius = identity.critical_temperature_celsius
        elif (reading := _thermometer(controller)) is not None:
            self.warning_celsius = _limit(reading.maximum_celsius) or self.warning_celsius
            self.critical_celsius = _limit(reading.critical_celsius) or self.critical_celsius

    def read_thermometer(self, controller: NvmeController, now: float) -> None:
        """Take the kernel's own reading, where the drive's log could not be read."""
        reading = _thermometer(controller)
        celsius = reading.celsius if reading is not None else None
        if reading is None or not isinstance(celsius, int | float):
            self.warns = False
            return
        self.warns = reading.alarm is True and celsius >= _NOT_COLD_CELSIUS
        row = self._add_temperature(float(celsius), now)
        if row is not None:
            is_critical = _reaches(celsius, self.critical_celsius)
            row.seen_above += self.is_above() or is_critical
            row.seen_critical += is_critical


def _thermometer(controller: NvmeController) -> TemperatureReading | None:
    return controller.temperatures[0] if controller.temperatures else None


def _limit(value: float | Unread | None) -> float | None:
    low, high = _SENSIBLE_LIMITS
    return float(value) if isinstance(value, int | float) and low <= value <= high else None


def _reaches(celsius: float | None, limit: float | None) -> bool:
    return celsius is not None and limit is not None and celsius >= limit > 0.0


@dataclass(slots=True, kw_only=True)
class DriveBook:
    """All drives that were ever seen."""

    records: dict[str, DriveRecord] = field(default_factory=dict)  # by serial number, or by position (see `key_of`)
    # serial numbers that two drives share, and when both were last here
    shared: dict[str, float] = field(default_factory=dict)

    def note_shared(self, occupants: Iterable[Occupant], now: float) -> None:
        """Note which serial numbers two drives share that are both here."""
        serials = (drive.serial for drive in occupants if drive.shares_serial)
        counts = Counter(serial.strip() for serial in serials if isinstance(serial, str))
        self.shared |= {serial: now for serial, count in counts.items() if count > 1}

    def of(self, occupant: Occupant) -> DriveRecord | None:
        """Give a drive's record."""
        return self.records.get(key_of(occupant))

    def at(self, path: str) -> DriveRecord | None:
        """Give the drive that was last seen in a position."""
        here = [record for record in self.records.values() if record.path == path]
        return max(here, key=lambda record: record.last_at, default=None)

    def update(self, occupant: Occupant, timeline: Timeline) -> DriveRecord:
        """Give a drive's record, new where it was never seen, with its identity and position brought up to date."""
        key = self.key_for(occupant, timeline.now)
        record = self.records.get(key)
        if record is None:
            record = self.records[key] = DriveRecord(serial=key, first_at=timeline.now)
        if record.path != occupant.path:
            record.path = occupant.path
            record.paths.append((timeline.now, occupant.path))
            del record.paths[:-_MOST_TIMES]
        if 0.0 < record.last_at < timeline.before and timeline.now - record.last_at >= _ABSENT_SECONDS:
            record.returned_at = timeline.now
        if isinstance(occupant.serial, str):  # only then is it known which paths lead to it
            paths = sorted({occupant.path, *occupant.other_paths})
            record.ports.read(paths, timeline, ran_on=record.last_at >= timeline.booted_at)
        record.last_at = timeline.now
        if key == key_of(occupant):
            record.name = occupant.name
        for what, value in (("model", occupant.model), ("capacity", occupant.capacity_bytes)):
            _note_identity(record, what, value, timeline.now)
        record.external = occupant.external
        if isinstance(occupant.firmware, str):
            record.firmware = occupant.firmware
        return record

    def was_without_power(self, drive: DriveRecord, *, since: float) -> bool:
        """Whether a drive was given power fewer times than two others since a moment, by their own counts.

        One other drive that counts more may itself lose its power while it runs, so two must, where there are two.
        """
        mine = drive.grown_since("power_cycles", since)
        others = sorted(
            grown
            for other in self.records.values()
            if other is not drive
            and other.counters_at == drive.counters_at
            and (grown := other.grown_since("power_cycles", since)) is not None
        )
        return mine is not None and bool(others) and min(others[-_WITNESSES:]) > mine

    def key_for(self, occupant: Occupant, now: float) -> str:
        """Name a drive as `key_of` does; one whose serial number cannot be read now keeps the name it had here.

        So a drive that stops answering keeps its record, with the signs that came before.
        """
        last = self.at(occupant.path) if isinstance(occupant.serial, Unread) else None
        is_known = last is not None and "/" not in last.serial and now - last.last_at <= KNOWN_SECONDS
        return last.serial if last is not None and is_known else key_of(occupant)


def key_of(occupant: Occupant) -> str:
    """Name a drive by its serial number; by its position where it has none, or shares it with another drive."""
    serial = occupant.serial if isinstance(occupant.serial, str) and not occupant.shares_serial else ""
    return serial.strip() or occupant.own_path


def _note_identity(record: DriveRecord, what: str, value: object, now: float) -> None:
    name = "capacity_bytes" if what == "capacity" else what
    if isinstance(value, Unread) or value is None:
        return
    before = getattr(record, name)
    if before is not None and before != value:
        record.doubts.append((now, f"its {what} was {before} and is {value}"))
        del record.doubts[:-_MOST_TIMES]
    setattr(record, name, value)
