"""The run as it adds up: each pass put to its stage, each error to what held at that moment."""

from collections import Counter, deque
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
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
from laneproof.proof.targets import Rest, Target, TargetLink, Targets
from laneproof.proof.watched_pass import WatchedDrive, WatchedLink, WatchedPass
from laneproof_collectors.fio import LoadResult

_Number = TypeVar("_Number", int, float)

MOST_HAPPENINGS = 200
STARTING_SECONDS = 10.0
"""A load may take so long to begin; seconds before it read anything are none of the drive's."""
LATE_SECONDS = 3.0
"""A pass that came so late is said to have."""
SOAK_SECONDS = 600.0
SOAK_CELSIUS = 1.0
"""A drive is warm throughout where it rose by less than this in so long."""
_MINUTE = 60.0


@dataclass(slots=True)
class _LinkSums:
    seconds: float = 0.0
    bits: float = 0.0
    port: Counter[str] = field(default_factory=Counter)
    device: Counter[str] = field(default_factory=Counter)
    serious: int = 0


@dataclass(slots=True)
class _DriveSums:
    seconds: float = 0.0
    read_bytes: int = 0
    reads: int = 0
    milliseconds: int = 0


@dataclass(slots=True)
class _Drive:
    """What adds up of one drive."""

    first: WatchedDrive | None = None
    last: WatchedDrive | None = None
    stages: dict[StageName, _DriveSums] = field(default_factory=dict)
    rate: float | None = None
    has_begun: bool = False  # whether its load has read anything in this step
    hottest: float | None = None
    held_seconds: float = 0.0
    soak: deque[tuple[float, float]] = field(default_factory=deque)  # at, celsius
    first_heat: list[float] = field(default_factory=list)
    last_heat: deque[float] = field(default_factory=lambda: deque(maxlen=int(_MINUTE)))
    wake: WakeRun | None = None
    small_us: float | None = None
    stopped: str | None = None


@dataclass(slots=True)
class _Link:
    """What adds up of one link."""

    last: WatchedLink | None = None
    gt_s: float | None = None
    lanes: int | None = None
    is_of_load: bool = False  # whether rate and width are those under load
    retrained: int = 0
    stages: dict[StageName, _LinkSums] = field(default_factory=dict)
    by_celsius: dict[int, list[float]] = field(default_factory=dict)  # bits, errors


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
        self._drives = {target.name: _Drive() for target in targets.drives}
        self._links = {path: _Link() for path in targets.links}
        self._stages: dict[StageName, list[float]] = {}  # began, seconds
        self._happenings: list[Happening] = []
        self._left_out = 0
        self._lost = 0
        self._unread_log: str | None = None
        self._step_at = 0.0
        self._longest = 0.0  # between two readings

    # --- while it goes on ---------------------------------------------------------------------------------------------

    def begin(self, stage: StageName, loaded: tuple[str, ...]) -> None:
        """Begin a step: what is read from now on belongs to it."""
        self.stage, self.loaded = stage, loaded
        self._stages.setdefault(stage, [self.at or 0.0, 0.0])
        for drive in self._drives.values():
            drive.rate, drive.has_begun = None, False
        self._step_at = self.at or 0.0

    def add(self, watched: WatchedPass) -> None:
        """Add one pass."""
        seconds = 0.0 if self.at is None else max(0.0, watched.at - self.at)
        self.at = watched.at
        if self.stage in self._stages:
            self._stages[self.stage][1] += seconds
        self._lost += watched.lost_records
        self._unread_log = watched.unread_log  # once the log answers again, it gives what waited in it
        self._longest = max(self._longest, seconds)
        read = {name: self._add_drive(name, now, seconds) for name, now in watched.drives.items()}
        for path, now in watched.links.items():
            if path in self._links:
                link = self.targets.links[path]
                self._add_link(link, now, seconds, sum(read.get(name, 0) for name in link.used_by))
        for occurrence in watched.occurrences:
            self._note(occurrence.name, occurrence.kind, occurrence.text)
        for name, drive in watched.drives.items():  # a port without hot plug says nothing, and the log may come later
            if not drive.is_there and not any((had.name, had.kind) == (name, "gone") for had in self._happenings):
                self._note(name, "gone", "it is not there any more")

    def add_result(self, name: str, result: LoadResult) -> None:
        """Add what a load came to, by its own account."""
        drive, target = self._drives[name], self._target(name)
        if self.stage is StageName.SMALL:
            drive.small_us = result.median_us
        if self.stage is StageName.WAKE and isinstance(target.rest, Rest):
            drive.wake = WakeRun(
                state=target.rest.state,
                idle_seconds=target.rest.idle_seconds,
                exit_us=target.rest.exit_us,
                reads=result.reads,
                median_us=result.median_us,
                longest_us=result.longest_us,
            )
        if result.error:
            self._note(name, "read-error", f"reading it ended with error {result.error}")

    def stop_drive(self, name: str, why: str) -> None:
        """Note that a drive's load was stopped for good."""
        drive = self._drives[name]
        if drive.stopped is None:
            drive.stopped = why
            self._note(name, "heat" if "temperature" in why else "other", why)

    def is_stopped(self, name: str) -> bool:
        """Whether a drive's load was stopped for good."""
        return self._drives[name].stopped is not None

    def is_soaked(self) -> bool:
        """Whether no loaded drive gets warmer any more, as far as their temperatures are known."""
        soaks = [self._drives[name].soak for name in self.loaded if self._drives[name].stopped is None]
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
        last = self._drives[name].last
        return None if last is None else last.celsius

    def errors(self, name: str) -> int:
        """Give the errors of a drive's own link so far."""
        link = self._links.get(self._target(name).path)
        return 0 if link is None else self._as_link(self._target(name).path, link).errors

    def _target(self, name: str) -> Target:
        return next(target for target in self.targets.drives if target.name == name)

    # --- adding up ----------------------------------------------------------------------------------------------------

    def _add_drive(self, name: str, now: WatchedDrive, seconds: float) -> int:
        """Add what one drive shows; give the bytes that it read since the one before."""
        drive = self._drives[name]
        if not now.is_there:
            drive.rate = None
            return 0
        last, drive.last = drive.last or now, now
        drive.first = drive.first or now
        if now.celsius is not None:
            drive.hottest = now.celsius if drive.hottest is None else max(drive.hottest, now.celsius)
        read = _rise(last.read_bytes, now.read_bytes)
        drive.rate = read / seconds if seconds and now.read_bytes is not None else None
        is_loaded = name in self.loaded and drive.stopped is None
        if name in self.held_back:
            drive.held_seconds += seconds
        drive.has_begun = drive.has_begun or read > 0 or (self.at or 0.0) - self._step_at > STARTING_SECONDS
        if is_loaded and drive.has_begun and name not in self.held_back:
            sums = drive.stages.setdefault(self.stage, _DriveSums())
            sums.seconds += seconds
            sums.read_bytes += read
            sums.reads += _rise(last.reads, now.reads)
            sums.milliseconds += _rise(last.read_milliseconds, now.read_milliseconds)
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

    def _add_link(self, link: TargetLink, now: WatchedLink, seconds: float, read: int) -> None:
        sums, last = self._links[link.path], self._links[link.path].last
        is_counted = not link.counting_ends or now.port is not None or now.device is not None
        if last is not None:  # what came while an end could not be read is counted once it can be
            now = replace(now, port=_newer(last.port, now.port), device=_newer(last.device, now.device))
        sums.last = now
        is_busy = read > 0
        if is_busy and last is not None and _fell(last, now):
            sums.retrained += 1
            self._note(link.name, "retrained", f"its link went from {_say(last)} to {_say(now)}")
        if is_busy != sums.is_of_load and (is_busy or sums.gt_s is None):  # at rest a link may run slower to save power
            sums.gt_s, sums.lanes, sums.is_of_load = now.gt_s, now.lanes, is_busy
        elif is_busy == sums.is_of_load:
            sums.gt_s, sums.lanes = _least(sums.gt_s, now.gt_s), _least(sums.lanes, now.lanes)
        tally = sums.stages.setdefault(self.stage, _LinkSums())
        tally.seconds += seconds
        tally.bits += read * link.bits_per_byte if is_counted else 0.0  # without a count they show nothing
        if last is None:
            return
        port, device = _risen(last.port, now.port), _risen(last.device, now.device)
        tally.port.update(port)
        tally.device.update(device)
        serious = max(0, now.serious - last.serious)
        tally.serious += serious
        errors = max(Counts(by_class=port).received, Counts(by_class=device).received)
        self._put_to_temperature(link, sums, read * link.bits_per_byte, errors)
        if port or device:
            counted = [f"{end}: {', '.join(f'{count} {name}' for name, count in counts.items())}"
                       for end, counts in (("port", port), ("device", device)) if counts]  # fmt: skip
            self._note(link.name, "errors", "; ".join(counted), count=max(errors, 1))
        if serious:
            self._note(link.name, "serious", "uncorrectable errors", count=serious)

    def _put_to_temperature(self, link: TargetLink, sums: _Link, bits: float, errors: int) -> None:
        temperatures = [at for name in link.used_by if (at := self.celsius(name)) is not None]
        if temperatures and self.stage in ALL_LOADED:
            row = sums.by_celsius.setdefault(int(max(temperatures) // CELSIUS_STEP) * CELSIUS_STEP, [0.0, 0])
            row[0] += bits
            row[1] += errors

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
                celsius=None if drive is None or drive.last is None else drive.last.celsius,
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
        not_shown = list(self.plan.not_shown)
        if self._lost:
            not_shown.append(f"{self._lost} records of the kernel's log, which were overwritten before they were read")
        if self._unread_log is not None:
            not_shown.append(f"resets and time-outs, for the kernel's log was not read to the end: {self._unread_log}")
        if self._longest > LATE_SECONDS:
            not_shown.append(f"what happened within {self._longest:.0f} s in which the watch got no further")
        if self._left_out:
            not_shown.append(f"{self._left_out} further happenings, which are counted and not listed")
        alone = {
            target.name: rate
            for target in self.targets.drives
            if (sums := self._drives[target.name].stages.get(StageName.ALONE)) and sums.seconds
            and (rate := sums.read_bytes / sums.seconds)
        }  # fmt: skip
        predicted = self.targets.predict(alone)
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
            stages=tuple(
                StageRun(
                    name=name,
                    began=round(began, 1),
                    seconds=round(lasted, 1),
                    planned_seconds=self.plan.seconds_of(name),
                )
                for name, (began, lasted) in self._stages.items()
            ),
            links=tuple(self._as_link(path, link) for path, link in self._links.items()),
            drives=tuple(self._as_drive(target, predicted.get(target.name)) for target in self.targets.drives),
            happenings=tuple(self._happenings),
            not_shown=tuple(not_shown),
        )

    def _as_link(self, path: str, sums: _Link) -> LinkRun:
        link = self.targets.links[path]
        return LinkRun(
            name=link.name,
            path=path,
            used_by=link.used_by,
            declared_gt_s=link.declared_gt_s,
            declared_lanes=link.declared_lanes,
            trained_gt_s=sums.gt_s if sums.gt_s is not None else link.gt_s,
            trained_lanes=sums.lanes if sums.lanes is not None else link.lanes,
            capable_gt_s=link.capable_gt_s,
            capable_lanes=link.capable_lanes,
            counting_ends=tuple(end for end in ("port", "device") if end in link.counting_ends),
            retrained=sums.retrained,
            stages={
                stage: LinkTally(
                    seconds=round(tally.seconds, 1),
                    bits=tally.bits,
                    port=Counts(by_class=dict(tally.port)),
                    device=Counts(by_class=dict(tally.device)),
                    serious=tally.serious,
                )
                for stage, tally in sums.stages.items()
            },
            by_celsius={at: Exposure(bits=bits, errors=int(errors)) for at, (bits, errors) in sums.by_celsius.items()},
        )

    def _as_drive(self, target: Target, predicted: float | None) -> DriveRun:
        drive = self._drives[target.name]
        first, last = drive.first or WatchedDrive(), drive.last or WatchedDrive()
        wake = drive.wake or WakeRun(why_unknown=target.rest if isinstance(target.rest, str) else "it was not tried")
        return DriveRun(
            name=target.name,
            path=target.path,
            serial=target.serial,
            model=target.model,
            firmware=target.firmware,
            ceiling_bytes=self.targets.ceiling(target),
            declared_read_bytes=target.declared_read_bytes,
            predicted_bytes=predicted,
            warning_celsius=target.warning_celsius,
            hottest_celsius=drive.hottest,
            warning_minutes=_rise(first.heat_minutes, last.heat_minutes),
            throttled=_rise(first.throttled, last.throttled),
            held_back_seconds=round(drive.held_seconds, 1),
            media_errors=_rise(first.media_errors, last.media_errors),
            idle_states_on=target.idle_states_on,
            first_heat_bytes=_mean(drive.first_heat),
            last_heat_bytes=_mean(drive.last_heat),
            stages={
                stage: DriveTally(
                    seconds=round(sums.seconds, 1),
                    read_bytes=sums.read_bytes,
                    reads=sums.reads,
                    read_milliseconds=sums.milliseconds,
                )
                for stage, sums in drive.stages.items()
            },
            wake=wake,
            small_read_us=drive.small_us,
            stopped=drive.stopped,
        )


def _rise(before: int | None, now: int | None) -> int:
    return 0 if before is None or now is None else max(0, now - before)


def _risen(before: Mapping[str, int] | None, now: Mapping[str, int] | None) -> dict[str, int]:
    if before is None or now is None:
        return {}
    return {name: count - before.get(name, 0) for name, count in now.items() if count > before.get(name, 0)}


def _newer(before: Mapping[str, int] | None, now: Mapping[str, int] | None) -> Mapping[str, int] | None:
    return before if now is None else now


def _least(one: _Number | None, other: _Number | None) -> _Number | None:
    return other if one is None else one if other is None else min(one, other)


def _fell(before: WatchedLink, now: WatchedLink) -> bool:
    return any(
        was is not None and is_ is not None and is_ < was
        for was, is_ in ((before.gt_s, now.gt_s), (before.lanes, now.lanes))
    )


def _mean(rates: "list[float] | deque[float]") -> float | None:
    return sum(rates) / len(rates) if rates else None


def _say(link: WatchedLink) -> str:
    return f"{link.gt_s or 0:g} GT/s x{link.lanes}"
