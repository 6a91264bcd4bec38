"""How busy each drive is, window by window, and how slow against its siblings.

A window lies between two readings. Load comes from the disk's own statistics, else from the health log's data units.
What counts as loaded or idle is measured by the most that the drive itself was seen to move.
"""

from collections.abc import Collection, Mapping
from dataclasses import dataclass, field

from laneproof.evidence.fail_slow import SLOW_RATIO, SlowSpell, is_load_near, relative_latency, slow_spells
from laneproof.evidence.not_enough import NotEnough
from laneproof.evidence.wear import DATA_UNIT_BYTES
from laneproof.past.counters import moved_on
from laneproof_collectors.snapshot import BlockStatistics, NvmeController
from laneproof_collectors.unread import Unread

IDLE, WORKING, LOADED = "idle", "working", "loaded"

_LOADED_SHARE = 0.25  # of the most that the drive was seen to move
_IDLE_SHARE = 0.001
_LEAST_PEAK = 20e6  # bytes a second; below that no load is called one
_PEAK_FADES_PER_DAY = 0.99
_FEWEST_OPERATIONS = 50  # a mean latency of fewer says nothing
_MOST_WINDOWS = 40
_MOST_SPELLS = 100
_FULL_CACHE_BYTES = 20e9  # written since the last idle window: more than the fast write cache of most drives
_FEWEST_USUAL = 24  # hours of work until it is known how a drive compares with other makes
_STILL_USUAL = 1.5
_FIRST_STEP, _MEDIAN_STEP = 0.5, 0.02
_DAY = 86400.0
_TABLE_LIMIT = 4000
_KEPT_WINDOWS = 30
_SHORT_SECONDS = 15.0  # windows shorter than this are joined as they come, so that those kept reach far enough back

HANG_SECONDS = 60.0
"""A drive may have hung, and moved nothing, for this long before its first line in the log: the driver waits 30 s for a
command before it logs anything; twice that to be safe.

Source: kernel drivers/nvme/host/core.c, ``nvme_core.io_timeout``, 30 by default."""

_WAKING_SHARE = 0.3
"""A drive that enters idle states by itself may spend so much of a window on waking: by default it wakes within 15 ms
from a state that it enters after 100 ms, and within 100 ms from one that it enters after 2 s; twice that to be safe.

Source: kernel drivers/nvme/host/core.c, ``apst_primary_timeout_ms``, ``apst_primary_latency_tol_us`` and the secondary
ones; older kernels (from memory) wait fifty times as long as the way in and out takes."""

_LEAST_SECONDS = 60.0  # a shorter window does not show how busy a drive was (our choice)
_LONG_SECONDS = 10 * HANG_SECONDS  # in a window this long, the hang at its end is a small part


@dataclass(frozen=True, slots=True, kw_only=True)
class Window:
    """What a drive moved between two readings."""

    began: float  # its beginning, ledger time
    seconds: float
    moved_bytes: int
    written_bytes: int
    operations: int | None = None  # reads and writes; None where the source does not count them
    milliseconds: int | None = None  # time that they took together; None likewise
    busy_milliseconds: int | None = None  # time in which at least one was under way; None likewise

    @property
    def ended(self) -> float:
        """Its end, ledger time."""
        return self.began + self.seconds

    @property
    def bytes_per_second(self) -> float:
        """Mean load."""
        return self.moved_bytes / self.seconds if self.seconds > 0 else 0.0

    @property
    def latency(self) -> float | None:
        """Mean milliseconds for an operation, None where there were too few."""
        if self.operations is None or self.milliseconds is None or self.operations < _FEWEST_OPERATIONS:
            return None
        return self.milliseconds / self.operations

    @property
    def work_milliseconds(self) -> float | None:
        """Mean milliseconds for an operation that are the drive's own, None where there were too few.

        A program that asks for many blocks at a time waits for each of them in a queue. That makes no slow drive, which
        is busy for longer with the same work. Source: Linux Documentation/admin-guide/iostats.rst, fields 4, 8 and 10.
        """
        latency = self.latency
        if latency is None or not self.busy_milliseconds or not self.operations:
            return latency
        return min(latency, self.busy_milliseconds / self.operations)

    @property
    def awake_share(self) -> float:
        """Which share of its latency a drive certainly did not spend on waking from idle states."""
        latency = self.work_milliseconds or 0.0
        waking = 1000.0 * _WAKING_SHARE * self.seconds / self.operations if self.operations else 0.0
        return max(0.0, 1.0 - waking / latency) if latency else 1.0


@dataclass(slots=True, kw_only=True)
class SlowDays:
    """Hours of a day in which a drive could be compared with its siblings, and in which it was slow."""

    day: int
    hours: list[int] = field(default_factory=list)
    slow_hours: list[int] = field(default_factory=list)


@dataclass(slots=True, kw_only=True)
class LoadRecord:
    """One drive's load."""

    # statistics at the last reading: reads, bytes read, writes, bytes written, milliseconds, in this order
    counters: tuple[int, int, int, int, int] | None = None
    # milliseconds for which the disk was busy, at the last reading; None where it does not count them
    busy: int | None = None
    source: str = ""  # disk or health, of `counters`
    boot: int = -1  # number of the boot of that reading
    at: float = 0.0  # when it was
    last: Window | None = None
    recent: list[Window] = field(default_factory=list)  # the last windows, oldest first, very short ones joined
    peak: float = 0.0  # the most bytes a second that it was seen to move, fading slowly
    seconds: dict[str, float] = field(default_factory=dict)  # by state, time in windows of that state
    # windows that could be compared with siblings: begin, length, ratio
    comparable: list[tuple[float, float, float]] = field(default_factory=list)
    # when it was slow for minutes on end: begin, end, mean ratio
    spells: list[tuple[float, float, float]] = field(default_factory=list)
    slow_days: list[SlowDays] = field(default_factory=list)  # hours compared and slow, by day
    usual_latency: float = 0.0  # a running median of its own latency under load
    usual_ratio: float = 0.0  # a running median of its latency over that of siblings of other models
    ratio_windows: int = 0  # how many hours that median is made of, one window each
    ratio_hour: int = 0  # the last of these hours
    since_idle_bytes: float = 0.0  # bytes written since the last idle window
    # windows with a full write cache: hot and slow, hot and fast, cool and slow, cool and fast
    full: tuple[int, int, int, int] = (0, 0, 0, 0)
    fresh: tuple[int, int, int, int] = (0, 0, 0, 0)  # the same with a fresh one

    def state_of(self, window: Window) -> str:
        """Say how busy the drive was in a window."""
        load, peak = window.bytes_per_second, max(self.peak, _LEAST_PEAK)
        if load <= _IDLE_SHARE * peak:
            return IDLE
        return LOADED if load >= _LOADED_SHARE * peak else WORKING

    def share(self, state: str) -> float | None:
        """Give the share of time in a state, None where no window was seen."""
        whole = sum(self.seconds.values())
        return self.seconds.get(state, 0.0) / whole if whole > 0 else None

    def read(self, controller: NvmeController, *, now: float, boot: int) -> tuple[Window | None, bool]:
        """Take one reading.

        Returns:
            The window that it closes, None where there is none; and whether the statistics began again within a boot.
        """
        found = _counters_of(controller)
        if found is None:
            return None, False
        source, counters = found
        before, was = self.counters, self.at
        was_busy, self.busy = self.busy, _busy_of(controller) if source == "disk" else None
        is_same = self.source == source and (self.boot == boot or source == "health")
        self.counters, self.source, self.boot, self.at = counters, source, boot, now
        if before is None or not is_same or now <= was:
            return None, False
        moves = [by for new, old in zip(counters, before, strict=True) if (by := moved_on(old, new)) is not None]
        if len(moves) < len(counters):
            # milliseconds have 32 bits and run over while the others go on; a drive that is found again begins with all
            # of them. Source: Linux block/genhd.c, part_stat_show
            return None, source == "disk" and all(new <= old for new, old in zip(counters, before, strict=True))
        reads, read_bytes, writes, written, took = moves
        is_disk = source == "disk"
        window = Window(
            began=was,
            seconds=now - was,
            moved_bytes=read_bytes + written,
            written_bytes=written,
            operations=reads + writes if is_disk else None,
            milliseconds=took if is_disk else None,
            busy_milliseconds=moved_on(was_busy, self.busy) if self.busy is not None else None,
        )
        self._add_window(window)
        return window, False

    def _add_window(self, window: Window) -> None:
        fade = _PEAK_FADES_PER_DAY ** (window.seconds / _DAY)
        self.peak = max(self.peak * fade, window.bytes_per_second)
        state = self.state_of(window)
        self.seconds[state] = self.seconds.get(state, 0.0) + window.seconds
        self.since_idle_bytes = 0.0 if state == IDLE else self.since_idle_bytes + window.written_bytes
        self.last = window
        if self.recent and self.recent[-1].seconds < _SHORT_SECONDS and _are_adjacent(self.recent[-1], window):
            self.recent[-1] = _join(self.recent[-1], window)
        else:
            self.recent.append(window)
            del self.recent[:-_KEPT_WINDOWS]

    def before(self, moment: float) -> Window | None:
        """Give the window that shows how busy the drive was before it began to hang.

        It is the last one that ended well before a moment, the first line of an episode, with those before it where it
        is short; None where none is long enough.
        """
        found: Window | None = None
        for window in reversed(self.recent):
            if found is None:
                if window.ended <= moment - (0.0 if window.seconds >= _LONG_SECONDS else HANG_SECONDS):
                    found = window
            elif not _are_adjacent(window, found):
                return None
            else:
                found = _join(window, found)
            if found is not None and found.seconds >= _LEAST_SECONDS:
                return found
        return None

    def during(self, moment: float) -> Window | None:
        """Give the window that holds a moment, None where it is not known."""
        return next((window for window in reversed(self.recent) if window.began <= moment < window.ended), None)

    def compare(self, window: Window, ratio: float) -> None:
        """Keep how slow the drive was against its siblings in a window."""
        self.comparable.append((window.began, window.seconds, ratio))
        del self.comparable[:-_MOST_WINDOWS]
        day, hour = divmod(int(window.began // 3600), 24)
        if not self.slow_days or self.slow_days[-1].day != day:
            self.slow_days.append(SlowDays(day=day))
            del self.slow_days[:-30]
        today = self.slow_days[-1]
        if hour not in today.hours:
            today.hours.append(hour)
        if ratio < SLOW_RATIO:
            return
        for spell in slow_spells(self.comparable):
            self._note_spell(spell, today, hour)

    def _note_spell(self, spell: SlowSpell, today: SlowDays, hour: int) -> None:
        row = (spell.began, spell.ended, spell.mean_ratio)
        if self.spells and spell.began <= self.spells[-1][1]:
            if spell.ended > self.spells[-1][1]:
                self.spells[-1] = (self.spells[-1][0], *row[1:])
        else:
            self.spells.append(row)
            del self.spells[:-_MOST_SPELLS]
        if hour not in today.slow_hours:
            today.slow_hours.append(hour)

    def against_usual(self, ratio: float, *, began: float) -> float | None:
        """Say how many times slower than usual it is against siblings of other models; None until that is known.

        A drive of another make may be half as fast for good: that is its nature, and only a change is a sign. While it
        is slower than usual, what is usual stays as it is. It is learned from different hours, one window each, since
        the work of one night says nothing of the day's.
        """
        usual, hour = self.usual_ratio or ratio, int(began // 3600)
        known = self.ratio_windows >= _FEWEST_USUAL
        if hour != self.ratio_hour and (not known or ratio < _STILL_USUAL * usual):
            step = max(_MEDIAN_STEP, _FIRST_STEP / (self.ratio_windows + 1)) if self.ratio_windows else 0.0
            self.usual_ratio = usual * (1.0 + step if ratio > usual else 1.0 - step)
            self.ratio_windows, self.ratio_hour = self.ratio_windows + 1, hour
        return ratio / usual if known else None

    def sort_by_heat(self, window: Window, *, hot: bool | None) -> None:
        """Keep a window for the question whether slowness goes with heat or with a full write cache."""
        latency = window.latency
        if latency is None or hot is None or not window.written_bytes or latency <= 0.0:
            return
        usual = self.usual_latency or latency
        # a running median: a small step towards each reading
        self.usual_latency = usual * (1.02 if latency > usual else 0.98)
        slow = latency >= SLOW_RATIO * usual
        cell = (0 if hot else 2) + (0 if slow else 1)
        if self.since_idle_bytes > _FULL_CACHE_BYTES:
            self.full = _counted(self.full, cell)
        else:
            self.fresh = _counted(self.fresh, cell)


def _are_adjacent(earlier: Window, later: Window) -> bool:
    return abs(earlier.ended - later.began) < 1.0


def _join(earlier: Window, later: Window) -> Window:
    return Window(
        began=earlier.began,
        seconds=later.ended - earlier.began,
        moved_bytes=earlier.moved_bytes + later.moved_bytes,
        written_bytes=earlier.written_bytes + later.written_bytes,
        operations=_add(earlier.operations, later.operations),
        milliseconds=_add(earlier.milliseconds, later.milliseconds),
        busy_milliseconds=_add(earlier.busy_milliseconds, later.busy_milliseconds),
    )


def _add(before: int | None, after: int | None) -> int | None:
    return None if before is None or after is None else before + after


def _counted(table: tuple[int, int, int, int], cell: int) -> tuple[int, int, int, int]:
    cells = [*table]
    cells[cell] += 1
    if sum(cells) > _TABLE_LIMIT:
        cells = [count // 2 for count in cells]
    a, b, c, d = cells
    return a, b, c, d


def _counters_of(controller: NvmeController) -> tuple[str, tuple[int, int, int, int, int]] | None:
    stats = [namespace.statistics for namespace in controller.namespaces]
    disks = [stat for stat in stats if isinstance(stat, BlockStatistics)]
    if disks and len(disks) == len(stats):
        return "disk", (
            sum(disk.reads for disk in disks),
            sum(disk.read_bytes for disk in disks),
            sum(disk.writes for disk in disks),
            sum(disk.written_bytes for disk in disks),
            sum(disk.read_milliseconds + disk.write_milliseconds for disk in disks),
        )
    health = controller.health
    if isinstance(health, Unread) or {"data_units_read", "data_units_written"} & set(health.absent):
        return None
    return "health", (
        health.host_read_commands,
        health.data_units_read * DATA_UNIT_BYTES,
        health.host_write_commands,
        health.data_units_written * DATA_UNIT_BYTES,
        0,
    )


def _busy_of(controller: NvmeController) -> int:
    stats = (namespace.statistics for namespace in controller.namespaces)
    return sum(disk.busy_milliseconds for disk in stats if isinstance(disk, BlockStatistics))


def _is_work_near(own: tuple[float, float], other: tuple[float, float]) -> bool:
    return all(is_load_near(mine, theirs) for mine, theirs in zip(own, other, strict=True))


def compare_siblings(
    windows: Mapping[str, tuple[LoadRecord, Window]],
    models: Mapping[str, str | None] | None = None,
    *,
    resting: Collection[str] = (),
) -> None:
    """Compare the drives' latencies in one pass, each with those siblings that did nearly the same work.

    Operations and bytes a second must both be near: a stream of large reads takes longer for each than many small ones.
    Siblings of the same model come first; where there are too few of them, others are taken, and what is usual between
    the makes is allowed for. A drive that may enter idle states (`resting`), beside some that may not, is not slow for
    waking from them. Windows and models are by serial number; without models all are alike.
    """
    busy = {
        serial: (record, window, (window.operations / window.seconds, window.bytes_per_second), latency)
        for serial, (record, window) in windows.items()
        if (latency := window.work_milliseconds) is not None and window.operations
    }
    known = models or {}
    for serial, (record, window, load, latency) in busy.items():
        near = {
            other: other_latency
            for other, (_, other_window, other_load, other_latency) in busy.items()
            if other != serial and _same_stretch(window, other_window) and _is_work_near(load, other_load)
        }
        alike = [sibling for other, sibling in near.items() if known.get(other) == known.get(serial)]
        ratio: float | NotEnough | None = relative_latency(latency, alike)
        if isinstance(ratio, NotEnough):
            mixed = relative_latency(latency, [*near.values()])
            ratio = None if isinstance(mixed, NotEnough) else record.against_usual(mixed, began=window.began)
        if ratio is not None:
            wakes_alone = serial in resting and not near.keys() <= set(resting)
            record.compare(window, ratio * (window.awake_share if wakes_alone else 1.0))


def _same_stretch(own: Window, other: Window) -> bool:
    return abs(own.began - other.began) <= 0.1 * own.seconds and abs(own.seconds - other.seconds) <= 0.1 * own.seconds
