"""The run as it adds up: each pass put to its stage, each error to what held at that moment."""

from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass, field, fields, replace
from typing import TypeVar

from laneproof.proof.plan import Plan
from laneproof.proof.run_record import (
    ALL_LOADED,
    CELSIUS_STEP,
    Counts,
    DriveRun,
    DriveTally,
    Exposure,
    Happening,
    LinkRun,
    LinkTally,
    ProofRun,
    StageName,
    StageRun,
    WakeRun,
)
from laneproof.proof.targets import Rest, Target, Targets
from laneproof.proof.watched_pass import WatchedDrive, WatchedLink, WatchedPass
from laneproof_collectors.fio import LoadResult

_Number = TypeVar("_Number", int, float)
_Watched = TypeVar("_Watched", WatchedDrive, WatchedLink)

MOST_HAPPENINGS = 200
STARTING_SECONDS = 30.0
"""A load may take so long to begin, as on a disk that spins up (common practice, no source); seconds before it read
anything are none of the drive's."""
LATE_SECONDS = 3.0
"""A pass that came so late is said to have."""
SOAK_SECONDS = 600.0
SOAK_CELSIUS = 1.0
"""A drive is warm throughout where it rose by less than this in so long."""
_MINUTE = 60.0


@dataclass(slots=True)
class _Drive:
    """One drive's record, and what of it is needed only while the run goes on."""

    record: DriveRun
    last: WatchedDrive = field(default_factory=WatchedDrive)
    rate: float | None = None
    has_begun: bool = False  # whether its load has read anything in this step
    soak: deque[tuple[float, float]] = field(default_factory=deque)  # at, celsius
    first_heat: list[float] = field(default_factory=list)
    last_heat: deque[float] = field(default_factory=lambda: deque(maxlen=int(_MINUTE)))


@dataclass(slots=True)
class _Link:
    """One link's record, and what of it is needed only while the run goes on."""

    record: LinkRun
    last: WatchedLink | None = None
    is_of_load: bool = False  # whether rate and width are those under load


class RunTotals:
    """One run while it goes on."""

    def __init__(self, targets: Targets, plan: Plan) -> None:
        """Begin; nothing was read yet."""
        self.targets = targets
        self.plan = plan
        self.stage = StageName.REST
        self.loaded: tuple[str, ...] = ()
        self.held_back: frozenset[str] = frozenset()
        self.at: float | None = None
        self._drives = {drive.name: _Drive(drive.record.model_copy(deep=True)) for drive in targets.drives}
        self._links = {path: _Link(link.model_copy(deep=True)) for path, link in targets.links.items()}
        self._stages: dict[StageName, StageRun] = {}
        self._happenings: list[Happening] = []
        self._left_out = 0
        self._lost = 0
        self._unread_log: str | None = None
        self._step_at = 0.0
        self._longest = 0.0  # between two passes

    # --- while it goes on ---------------------------------------------------------------------------------------------

    def begin(self, stage: StageName, loaded: tuple[str, ...]) -> None:
        """Begin a step: what is read from now on belongs to it."""
        self.stage, self.loaded = stage, loaded
        planned = self.plan.seconds_of(stage)
        self._stages.setdefault(stage, StageRun(name=stage, began=self.at or 0.0, planned_seconds=planned))
        for drive in self._drives.values():
            drive.rate, drive.has_begun = None, False
        self._step_at = self.at or 0.0

    def add(self, watched: WatchedPass) -> None:
        """Add one pass."""
        seconds = 0.0 if self.at is None else max(0.0, watched.at - self.at)
        self.at = watched.at
        if self.stage in self._stages:
            self._stages[self.stage].seconds += seconds
        self._lost += watched.lost_records
        self._unread_log = watched.unread_log  # once the log answers again, it gives what waited in it
        self._longest = max(self._longest, seconds)
        read = {name: self._add_drive(name, now, seconds) for name, now in watched.drives.items()}
        for path, now in watched.links.items():
            if path in self._links:
                link = self._links[path]
                self._add_link(link, now, seconds, sum(read.get(name, 0) for name in link.record.used_by))
        for occurrence in watched.occurrences:
            self._note(occurrence.name, occurrence.kind, occurrence.text)
        for name, drive in watched.drives.items():  # a port without hot plug says nothing, and the log may come later
            if not drive.is_there and not any((had.name, had.kind) == (name, "gone") for had in self._happenings):
                self._note(name, "gone", "it is not there any more")

    def add_result(self, target: Target, result: LoadResult) -> None:
        """Add what a load came to, by its own account."""
        record = self._drives[target.name].record
        if self.stage is StageName.SMALL:
            record.small_read_us = result.median_us
        if self.stage is StageName.WAKE and isinstance(target.rest, Rest):
            record.wake = WakeRun(
                state=target.rest.state,
                idle_seconds=target.rest.idle_seconds,
                exit_us=target.rest.exit_us,
                reads=result.reads,
                median_us=result.median_us,
                longest_us=result.longest_us,
            )
        if result.error:
            self._note(target.name, "read-error", f"reading it ended with error {result.error}")

    def stop_drive(self, name: str, why: str) -> None:
        """Note that a drive's load was stopped for good."""
        record = self._drives[name].record
        if record.stopped is None:
            record.stopped = why
            self._note(name, "heat" if "temperature" in why else "other", why)

    def is_stopped(self, name: str) -> bool:
        """Whether a drive's load was stopped for good."""
        return self._drives[name].record.stopped is not None

    def is_starting(self) -> bool:
        """Whether a load of this step has yet to read anything, and may still take its time."""
        waits = (self.at or 0.0) - self._step_at <= STARTING_SECONDS
        return waits and not all(self._drives[name].has_begun for name in self.loaded)

    def is_soaked(self) -> bool:
        """Whether no loaded drive gets warmer any more, as far as their temperatures are known."""
        soaks = [self._drives[name].soak for name in self.loaded if not self.is_stopped(name)]
        return all(
            soak and soak[-1][0] - soak[0][0] >= SOAK_SECONDS - 1.0 and soak[-1][1] - soak[0][1] < SOAK_CELSIUS
            for soak in soaks
            if soak
        ) and any(soaks)

    def rate(self, name: str) -> float | None:
        """Give a drive's rate of the last second."""
        return self._drives[name].rate

    def celsius(self, name: str) -> float | None:
        """Give a drive's temperature as it was last read."""
        return self._drives[name].last.celsius

    def errors(self, name: str) -> int:
        """Give the errors of a drive's own link so far."""
        link = self._links.get(self._drives[name].record.path)
        return 0 if link is None else link.record.errors

    # --- adding up ----------------------------------------------------------------------------------------------------

    def _add_drive(self, name: str, now: WatchedDrive, seconds: float) -> int:
        """Add what one drive shows; give the bytes that it read since the one before."""
        drive = self._drives[name]
        if not now.is_there:
            drive.rate = None
            return 0
        record, last = drive.record, drive.last
        drive.last = now = _fill(now, last)
        if now.celsius is not None:
            record.hottest_celsius = max(record.hottest_celsius or now.celsius, now.celsius)
        record.warning_minutes += _rise(last.heat_minutes, now.heat_minutes)
        record.throttled += _rise(last.throttled, now.throttled)
        record.media_errors += _rise(last.media_errors, now.media_errors)
        if now.transfer_errors is not None:
            record.transfer_errors = (record.transfer_errors or 0) + _rise(last.transfer_errors, now.transfer_errors)
        read = _rise(last.read_bytes, now.read_bytes)
        drive.rate = read / seconds if seconds and now.read_bytes is not None else None
        is_loaded = name in self.loaded and record.stopped is None
        if name in self.held_back:
            record.held_back_seconds += seconds
        drive.has_begun = drive.has_begun or read > 0 or (self.at or 0.0) - self._step_at > STARTING_SECONDS
        if is_loaded and drive.has_begun and name not in self.held_back:
            tally = record.stages.setdefault(self.stage, DriveTally())
            tally.seconds += seconds
            tally.read_bytes += read
            tally.reads += _rise(last.reads, now.reads)
            tally.read_milliseconds += _rise(last.read_milliseconds, now.read_milliseconds)
        if self.stage is StageName.HEAT and is_loaded:
            self._soak(drive, now)
        return read

    def _soak(self, drive: _Drive, now: WatchedDrive) -> None:
        if drive.rate is not None:
            if len(drive.first_heat) < _MINUTE:
                drive.first_heat.append(drive.rate)
            drive.last_heat.append(drive.rate)
        if now.celsius is not None and self.at is not None:
            drive.soak.append((self.at, now.celsius))
            while self.at - drive.soak[0][0] > SOAK_SECONDS:
                drive.soak.popleft()

    def _add_link(self, link: _Link, now: WatchedLink, seconds: float, read: int) -> None:
        record, last, is_busy = link.record, link.last, read > 0
        is_counted = not record.counting_ends or now.port is not None or now.device is not None
        if last is not None:  # what came while an end could not be read is counted once it can be
            now = _fill(now, last)
        link.last = now
        if is_busy and last is not None and _fell(last, now):
            record.retrained += 1
            self._note(record.name, "retrained", f"its link went from {_say(last)} to {_say(now)}")
        if is_busy and not link.is_of_load:  # at rest a link may run slower to save power
            record.trained_gt_s, record.trained_lanes, link.is_of_load = now.gt_s, now.lanes, True
        elif is_busy == link.is_of_load:
            record.trained_gt_s = _least(record.trained_gt_s, now.gt_s)
            record.trained_lanes = _least(record.trained_lanes, now.lanes)
        tally = record.stages.setdefault(self.stage, LinkTally())
        tally.seconds += seconds
        bits = read * record.bits_per_byte
        tally.bits += bits if is_counted else 0.0  # without a count they show nothing
        if last is None:
            return
        port, device = _risen(last.port, now.port), _risen(last.device, now.device)
        tally.port.add(port)
        tally.device.add(device)
        serious = max(0, now.serious - last.serious)
        tally.serious += serious
        errors = max(Counts(by_class=port).received, Counts(by_class=device).received)
        self._put_to_temperature(record, bits, errors)
        if port or device:
            counted = [f"{end}: {', '.join(f'{count} {name}' for name, count in counts.items())}"
                       for end, counts in (("port", port), ("device", device)) if counts]  # fmt: skip
            self._note(record.name, "errors", "; ".join(counted), count=max(errors, 1))
        if serious:
            self._note(record.name, "serious", "uncorrectable errors", count=serious)

    def _put_to_temperature(self, link: LinkRun, bits: float, errors: int) -> None:
        temperatures = [at for name in link.used_by if (at := self.celsius(name)) is not None]
        if temperatures and self.stage in ALL_LOADED:
            step = int(max(temperatures) // CELSIUS_STEP) * CELSIUS_STEP
            exposure = link.by_celsius.setdefault(step, Exposure())
            exposure.bits += bits
            exposure.errors += errors

    def _note(self, name: str, kind: str, text: str, *, count: int = 1) -> None:
        if len(self._happenings) >= MOST_HAPPENINGS:
            self._left_out += 1
            return
        drive = self._drives.get(name)
        self._happenings.append(
            Happening(
                at=round(self.at or 0.0, 1),
                stage=self.stage,
                name=name,
                kind=kind,
                text=text,
                count=count,
                bytes_per_second=None if drive is None or drive.rate is None else round(drive.rate),
                celsius=None if drive is None else drive.last.celsius,
                loaded=self.loaded,
            )
        )

    # --- its end ------------------------------------------------------------------------------------------------------

    def finish(  # noqa: PLR0913 (what a run is kept with)
        self,
        *,
        box: str,
        began_at: float,
        kernel: str = "",
        is_virtual: bool = False,
        although: str | None = None,
        stopped: str | None = None,
    ) -> ProofRun:
        """Give the whole as a value."""
        gaps, not_shown = list(self.plan.gaps), list(self.plan.not_shown)
        if self._lost:
            gaps.append(f"{self._lost} records of the kernel's log, which were overwritten before they were read")
        if self._unread_log is not None:
            gaps.append(f"resets and time-outs, for the kernel's log was not read to the end: {self._unread_log}")
        if self._longest > LATE_SECONDS:
            not_shown.append(f"what happened within {self._longest:.0f} s in which the watch got no further")
        if self._left_out:
            not_shown.append(f"{self._left_out} further happenings, which are counted and not listed")
        links = {path: link.record for path, link in self._links.items()}
        drives = {name: drive.record for name, drive in self._drives.items()}
        rates = {name: rate for name, record in drives.items() if (rate := record.rate(StageName.ALONE))}
        predicted = replace(self.targets, links=links).predict(rates)
        for name, drive in self._drives.items():
            record, own = drive.record, links.get(drive.record.path)
            record.predicted_bytes = predicted.get(name)
            record.ceiling_bytes = own.ceiling_bytes if own else record.ceiling_bytes
            record.first_heat_bytes, record.last_heat_bytes = _mean(drive.first_heat), _mean(drive.last_heat)
        return ProofRun(
            box=box,
            began_at=began_at,
            seconds=round(self.at or 0.0, 1),
            mode=self.plan.mode,
            rate_bytes=self.plan.rate_bytes,
            although=although,
            is_virtual=is_virtual,
            kernel=kernel,
            parts=dict(self.targets.parts),
            stopped=stopped,
            stages=tuple(self._stages.values()),
            links=tuple(links.values()),
            drives=tuple(drives.values()),
            happenings=tuple(self._happenings),
            gaps=tuple(gaps),
            not_shown=tuple(not_shown),
            only=self.targets.only,
        )


def _rise(before: int | None, now: int | None) -> int:
    return 0 if before is None or now is None else max(0, now - before)


def _risen(before: Mapping[str, int] | None, now: Mapping[str, int] | None) -> dict[str, int]:
    if before is None or now is None:
        return {}
    return {name: count - before.get(name, 0) for name, count in now.items() if count > before.get(name, 0)}


def _fill(now: _Watched, last: _Watched) -> _Watched:
    """Put what was read before into the gaps of what was read now."""
    gaps = {known.name: getattr(last, known.name) for known in fields(now) if getattr(now, known.name) is None}
    return replace(now, **gaps) if gaps else now


def _least(first: _Number | None, second: _Number | None) -> _Number | None:
    return second if first is None else first if second is None else min(first, second)


def _fell(before: WatchedLink, now: WatchedLink) -> bool:
    return any(
        was is not None and is_ is not None and is_ < was
        for was, is_ in ((before.gt_s, now.gt_s), (before.lanes, now.lanes))
    )


def _mean(rates: "list[float] | deque[float]") -> float | None:
    return sum(rates) / len(rates) if rates else None


def _say(link: WatchedLink) -> str:
    return f"{link.gt_s or 0:g} GT/s x{link.lanes}"
