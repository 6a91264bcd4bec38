"""Correctable errors of each link with their exposure, as the kernel counts them at both ends.

Rules of this module: a series belongs to one drive in one position. It begins again with each boot, each time an end
is enumerated, and each time a count falls; what an end shows at its first reading was counted before anybody watched,
and gives no rate. Errors during an episode belong to the episode and are kept apart. Where no end counts, the reports
in the kernel's log are taken instead, as the least that happened; of uncorrectable errors, where no end counts those.
"""

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Annotated

from pydantic import Field

from laneproof.box.link_ends import Link
from laneproof.evidence.bit_error_ratio import bits_carried, receiver_errors
from laneproof.evidence.rate_comparison import RatioTest, against_siblings
from laneproof.past.counters import fell
from laneproof.past.error_reporting import Reporting, find_reporting
from laneproof.past.rate_watch import RateWatch
from laneproof.past.tally import Tally, TallySeries
from laneproof.past.timeline import Timeline
from laneproof_collectors.snapshot import AerCounters, PciFunction
from laneproof_collectors.unread import Unread

SETTLE_SECONDS = 120.0
"""What is counted this soon after a link came up belongs to its training. Our choice."""

PORT, DEVICE = "port", "device"
_MINUTE = 60.0
_REPLAY_COUNTERS = ("Rollover", "Timeout")
_LINK_FATAL = ("DLP", "SDES", "FCP", "RxOF", "MalfTLP", "ECRC")
"""Uncorrectable errors that are the link's own; unsupported requests, aborts and completion timeouts are not."""
_NOT_OF_LINK = frozenset({"NonFatalErr", "CorrIntErr", "HeaderOF"})
"""Correctable errors that say nothing of the link: uncorrectable ones that did no harm, and those inside a device."""
_FEWEST_ALIKE = 3
"""So many links that came up together show whether errors are those of training. Our choice."""
_CLEAR_P = 1e-5
"""Below this p, errors of one of them alone are its own, and not those of training. Our choice."""
MOST_READINGS = 60
"""Readings with errors that are kept one by one."""
_MOST_REPORTED = 40
_UNWATCHED = (Reporting.NO_CAPABILITY, Reporting.NOT_OWNED, Reporting.MASKED, Reporting.UNKNOWN)


@dataclass(slots=True, kw_only=True)
class EndState:
    """One end as last read."""

    counts: dict[str, int] = field(default_factory=dict)  # its correctable counters
    fatal: int = 0  # its uncorrectable errors of the link, added up
    boot: int = -1  # number of the boot of that reading
    present: bool = False  # whether it was there at the last reading
    since: float = 0.0  # when its series began
    reporting: Reporting = Reporting.UNKNOWN  # what becomes of its errors
    was_counted: bool = False  # whether it ever counted
    hidden_since: float | None = None  # when it stopped to count though it had before; None while it counts
    found: int = 0  # the fewest errors that had been counted before its series began
    found_seconds: float = 0.0  # in how many seconds; 0 where that is not known


@dataclass(slots=True, kw_only=True)
class LinkRecord:
    """One link with one device at its end."""

    path: str
    serial: str  # the drive's serial number; empty for a device without one
    device: str = ""
    first_at: float = 0.0  # when this pair was first seen
    last_at: float = 0.0  # when it was last read
    steady_since: float = 0.0  # when the parts between were last changed, 0 if never: the baseline begins here
    gt_s: float | None = None
    lanes: int | None = None
    port: EndState = field(default_factory=EndState)
    device_end: Annotated[EndState, Field(alias="far")] = field(default_factory=EndState)
    series: TallySeries = field(default_factory=TallySeries)  # errors and exposure
    aside: int = 0  # errors during episodes or training, which are in no series
    # when errors were counted and how many, the last ones
    readings: list[tuple[float, int]] = field(default_factory=list)
    last_minute: float = -1.0  # the minute in which the last error was counted
    from_log: bool = False  # whether errors were taken from the log, for lack of any counter
    asleep: bool = False  # whether an end slept at the last reading: no bits pass until both are awake
    # when the log reported uncorrectable errors that no counter counts, the last ones, apart from episodes
    reported: list[float] = field(default_factory=list)
    watch: RateWatch = field(default_factory=RateWatch)  # its error rate, followed hour by hour
    version: int = 0  # goes up with each error, for those who keep results

    @property
    def ends(self) -> tuple[EndState, EndState]:
        """Both ends, the upper one first."""
        return self.port, self.device_end

    @property
    def watched(self) -> bool:
        """Whether errors would be seen: at either end by a counter, or in the log."""
        return self.from_log or any(end.present and end.reporting not in _UNWATCHED for end in self.ends)

    @property
    def counted(self) -> bool:
        """Whether an end is known for sure to count, so that silence means something."""
        return any(end.present and end.reporting is Reporting.COUNTED for end in self.ends)


@dataclass(frozen=True, slots=True, kw_only=True)
class LinkEvents:
    """What happened at the links since the last reading, besides what their counters say."""

    disturbed: frozenset[str] = frozenset()  # positions where an episode happened since the last reading
    # by position, error reports in the kernel's log since then
    reports: Mapping[str, int] = field(default_factory=dict)
    # when the log reported an uncorrectable error since then, and the position
    uncorrected: Sequence[tuple[float, str]] = ()
    # whether the command line keeps the kernel from counting: its counters are there and stay at zero
    switched_off: bool = False


@dataclass(slots=True, kw_only=True)
class LinkBook:
    """All links that were ever seen, by path and serial number."""

    records: dict[str, LinkRecord] = field(default_factory=dict)
    current: dict[str, str] = field(default_factory=dict)  # the serial number at each path that holds a device now
    read_at: float = 0.0  # when the counters were last read
    slept_seconds: float = 0.0  # for how long the machine had slept (suspend) in that boot by then

    def read(self, links: Iterable[tuple[Link, str, str]], timeline: Timeline, events: LinkEvents) -> None:
        """Take one reading of each link that ends in a device, with the drive's serial number and its name."""
        since, self.read_at = self.read_at or timeline.now, timeline.now
        slept = timeline.slept_seconds - (self.slept_seconds if since >= timeline.booted_at else 0.0)
        self.slept_seconds = timeline.slept_seconds
        elapsed = max(0.0, timeline.now - max(since, timeline.booted_at) - max(0.0, slept))
        seen: dict[str, str] = {}
        young: list[tuple[LinkRecord, Tally]] = []
        for link, serial, device in links:
            seen[link.path] = serial
            key = f"{link.path}|{serial}"
            record = self.records.get(key)
            if record is None:
                record = self.records[key] = LinkRecord(path=link.path, serial=serial, first_at=timeline.now)
            record.device = device
            fresh = _read_link(record, link, timeline, elapsed, events)
            if fresh is not None:
                young.append((record, fresh))
        _add_young(young, timeline, elapsed)
        for path, serial in self.current.items():
            if seen.get(path) != serial and (away := self.records.get(f"{path}|{serial}")) is not None:
                away.port.present = away.device_end.present = False
        self.current = seen

    def at(self, path: str) -> LinkRecord | None:
        """Give the link at a path with the device that is there now."""
        serial = self.current.get(path)
        return None if serial is None else self.records.get(f"{path}|{serial}")

    def of_path(self, path: str) -> list[LinkRecord]:
        """Give all records of a path, whichever drive was there."""
        return [record for record in self.records.values() if record.path == path]

    def of_drive(self, serial: str) -> list[LinkRecord]:
        """Give all records of a drive, wherever it was."""
        return [record for record in self.records.values() if serial and record.serial == serial]

    def take_back_errors(self, is_of_episode: Callable[[str, float], bool]) -> None:
        """Take back uncorrectable errors of the log that turn out to be part of an episode: it is reported."""
        for record in self.records.values():
            kept = [when for when in record.reported if not is_of_episode(record.path, when)]
            if len(kept) != len(record.reported):
                record.reported = kept
                record.version += 1

    def learn_again(self, path: str | None = None) -> None:
        """Forget what error rate is normal for a path's link, or for every link, since what it depends on changed."""
        for record in self.records.values() if path is None else self.of_path(path):
            record.watch = RateWatch()

    def note_parts(self, path: str, at: float) -> None:
        """Begin the baseline of a path again, since what stands between has changed."""
        for record in self.of_path(path):
            record.steady_since = at
            record.series.close_row(at)
            record.version += 1


def _add_young(young: Sequence[tuple[LinkRecord, Tally]], timeline: Timeline, elapsed: float) -> None:
    """Add what links counted soon after they came up, where links that came up with them show that it is no training.

    What began with its siblings, and makes errors that none of them makes, is not training: that would show at all.
    """
    all_errors, carried = sum(fresh.errors for _, fresh in young), [_bits(record, elapsed) for record, _ in young]
    for (record, fresh), bits in zip(young, carried, strict=True):
        since = max(record.port.since, record.device_end.since)
        others = [
            other for other, _ in young if abs(max(other.port.since, other.device_end.since) - since) < SETTLE_SECONDS
        ]
        is_clear = False
        if fresh.errors and len(others) >= _FEWEST_ALIKE and since - timeline.booted_at > SETTLE_SECONDS:
            test = against_siblings(fresh.errors, bits, all_errors - fresh.errors, math.fsum(carried) - bits)
            is_clear = isinstance(test, RatioTest) and test.p <= _CLEAR_P
        if not is_clear:
            record.aside += fresh.errors
        added = fresh if is_clear else Tally(begins=fresh.begins)  # the time counts in any case
        _add_reading(record, added, timeline.now, elapsed)


def _bits(record: LinkRecord, seconds: float) -> float:
    return bits_carried(gt_s=record.gt_s or 0.0, lanes=record.lanes or 0, seconds=seconds)


def _read_link(record: LinkRecord, link: Link, timeline: Timeline, elapsed: float, events: LinkEvents) -> Tally | None:
    """Read one link, and keep what it counted; where that may still be training, return it instead of keeping it."""
    now = timeline.now
    gt_s, lanes = link.trained_gt_s.value, link.trained_lanes.value
    if isinstance(gt_s, float | int) and isinstance(lanes, float | int):
        if record.gt_s is not None and (record.gt_s, record.lanes) != (gt_s, int(lanes)):
            record.watch = RateWatch()
        record.gt_s, record.lanes = gt_s, int(lanes)
    record.last_at = now
    fresh = Tally(begins=now)
    off = events.switched_off
    port_counts = _read_end(record.port, link.port, timeline, fresh, at_port=True, switched_off=off)
    device_counts = _read_end(record.device_end, link.device, timeline, fresh, at_port=False, switched_off=off)
    was_asleep, record.asleep = record.asleep, link.sleeps
    if was_asleep and record.asleep and not (fresh.errors or fresh.fatal):
        elapsed = 0.0
    young = now - max(record.port.since, record.device_end.since) <= SETTLE_SECONDS
    if not record.watched or record.from_log:
        record.from_log = record.from_log or bool(events.reports.get(record.path))
        if not (port_counts or device_counts):
            fresh.device_errors = fresh.most = events.reports.get(record.path, 0)
    if not (_counts_fatal(record.port, link.port) or _counts_fatal(record.device_end, link.device)):
        begins = (record.port.since, record.device_end.since, timeline.booted_at)
        times = (when for when, path in events.uncorrected if path == record.path)
        _note_reported(
            record, (when for when in times if not any(0 <= when - begin <= SETTLE_SECONDS for begin in begins))
        )
    if record.path in events.disturbed:
        record.aside += fresh.errors
        fresh = Tally(begins=now)
    elif young:
        return fresh
    _add_reading(record, fresh, now, elapsed)
    return None


def _counts_fatal(end: EndState, function: PciFunction | None) -> bool:
    """Whether an end counts its uncorrectable errors; `Reporting.MASKED` and `OFF` are about correctable ones."""
    counters = function.aer if function is not None and function.answers else None
    is_read = counters is not None and _sum_fatal(counters) is not None
    return is_read and end.reporting not in (Reporting.NO_CAPABILITY, Reporting.NOT_OWNED, Reporting.UNKNOWN)


def _note_reported(record: LinkRecord, times: Iterable[float]) -> None:
    """Keep when the log reported uncorrectable errors; both ends' reports of one minute are one error."""
    for when in sorted(times):
        if not any(abs(when - known) < _MINUTE for known in record.reported):
            record.reported.append(when)
            record.version += 1
    del record.reported[:-_MOST_REPORTED]


def _add_reading(record: LinkRecord, fresh: Tally, now: float, elapsed: float) -> None:
    if elapsed <= 0.0 and not fresh.errors:
        return
    if record.watched:
        record.watch.add(now, elapsed, marked=bool(fresh.errors))
    row = record.series.open_row(now)
    if record.gt_s and record.lanes:
        row.bits += bits_carried(gt_s=record.gt_s, lanes=record.lanes, seconds=elapsed)
    row.seconds += elapsed
    row.units += elapsed / _MINUTE if elapsed <= _MINUTE else 1.0
    if not fresh.errors and not fresh.fatal:
        return
    minute = now // _MINUTE
    if fresh.errors and minute != record.last_minute:
        row.marked += 1
        row.units = max(row.units, float(row.marked))
        record.last_minute = minute
    row.add(fresh)
    if fresh.errors:
        record.readings.append((now, fresh.errors))
        del record.readings[:-MOST_READINGS]
    record.version += 1


def _read_end(  # noqa: PLR0913 (one reading of one end)
    end: EndState, function: PciFunction | None, timeline: Timeline, fresh: Tally, *, at_port: bool, switched_off: bool
) -> bool:
    """Add what one end counted since its last reading; whether it has a counter at all."""
    _note_reporting(end, function, timeline.now, switched_off=switched_off)
    counters = function.aer if function is not None and function.answers else None
    counts = None if counters is None or isinstance(counters.correctable, Unread) else counters.correctable
    if counters is None or counts is None:
        end.present = False if function is None or not function.answers else end.present
        return False
    fatal = _sum_fatal(counters)
    # What could not be read this time leaves the count where it stood: taken for zero, it would be counted again later.
    starts_again = not end.present or end.boot != timeline.boots
    starts_again = starts_again or (fatal is not None and fell(end.fatal, fatal))
    if not starts_again and counts != end.counts:
        starts_again = any(fell(count, counts.get(name, 0)) for name, count in end.counts.items())
        if not starts_again:
            _add(fresh, counts, end.counts, at_port=at_port)
    if starts_again:
        _begin_series(end, counts, timeline)
    elif fatal is not None:
        fresh.fatal += fatal - end.fatal
    if starts_again or counts != end.counts:
        end.counts = dict(counts)
    if fatal is not None:
        end.fatal = fatal
    elif starts_again:
        end.fatal = 0
    if end.reporting is Reporting.OFF and any(counts.values()):
        end.reporting = Reporting.COUNTED  # it does count, whatever the control bit says
    return True


def _begin_series(end: EndState, counts: Mapping[str, int], timeline: Timeline) -> None:
    is_first_of_boot = end.boot != timeline.boots
    end.since, end.boot, end.present = timeline.now, timeline.boots, True
    end.found, _ = _received(counts, {})
    end.found_seconds = timeline.up_seconds if is_first_of_boot and timeline.up_is_credible else 0.0


def _note_reporting(end: EndState, function: PciFunction | None, now: float, *, switched_off: bool) -> None:
    if function is None or not function.answers:
        return
    reporting = find_reporting(function)
    if switched_off and reporting is Reporting.COUNTED:
        reporting = Reporting.NOT_OWNED
    if reporting is Reporting.COUNTED:
        end.was_counted, end.hidden_since = True, None
    elif reporting in (Reporting.MASKED, Reporting.OFF, Reporting.NOT_OWNED) and end.was_counted:
        end.hidden_since = now if end.hidden_since is None else end.hidden_since
    end.reporting = reporting


def is_correctable_of_link(detail: Mapping[str, str]) -> bool:
    """Whether a correctable error in the kernel's log is the link's own, as far as its line says.

    Source: Linux drivers/pci/pcie/aer.c, the classes of the transaction layer: advisory, internal, header log overflow.
    """
    if bits := detail.get("bits"):
        return not _NOT_OF_LINK.issuperset(bits.split())
    return detail.get("layer") != "Transaction Layer"


def is_of_link(bits: str | None) -> bool:
    """Whether an uncorrectable error is the link's own, by the kernel's names of its bits."""
    return not bits or any(name in _LINK_FATAL for name in bits.split())


def _sum_fatal(counters: AerCounters) -> int | None:
    """Add up the uncorrectable errors of the link itself; None where one of the two counters could not be read."""
    if isinstance(counters.nonfatal, Unread) or isinstance(counters.fatal, Unread):
        return None
    return sum(counts.get(name, 0) for counts in (counters.nonfatal, counters.fatal) for name in _LINK_FATAL)


def _received(counts: Mapping[str, int], before: Mapping[str, int]) -> tuple[int, int]:
    """Give the fewest and the most errors that an end's receiver saw between two readings."""
    rx_err, bad_tlp, bad_dllp = (counts.get(name, 0) - before.get(name, 0) for name in ("RxErr", "BadTLP", "BadDLLP"))
    return receiver_errors(rx_err=rx_err, bad_tlp=bad_tlp, bad_dllp=bad_dllp)


def _add(fresh: Tally, counts: Mapping[str, int], before: Mapping[str, int], *, at_port: bool) -> None:
    fewest, most = _received(counts, before)
    sent = max(counts.get(name, 0) - before.get(name, 0) for name in _REPLAY_COUNTERS)
    fresh.most += most
    if at_port:
        fresh.port_errors, fresh.port_replays = fewest, sent
    else:
        fresh.device_errors, fresh.device_replays = fewest, sent
