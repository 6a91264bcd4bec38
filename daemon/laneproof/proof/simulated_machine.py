"""A made-up machine for a run: drives that warm up, links that err, faults of a known cause.

The demo shows such a run, and the figures of the diagnosis are taken on thousands of them. All of it follows from the
seed.
"""

import math
import random
from collections.abc import Collection, Mapping
from dataclasses import dataclass, field

from laneproof.proof.plan import RunStep
from laneproof.proof.run_record import ALL_LOADED, LOADED, StageName
from laneproof.proof.targets import Rest, Target, Targets
from laneproof.proof.watched_pass import Occurrence, WatchedDrive, WatchedLink, WatchedPass
from laneproof_collectors.fio import LoadResult

_COOL, _WARM, _WARMING_SECONDS = 38.0, 57.0, 240.0
_SMALL_BYTES, _SMALL_READS = 4096, 250_000
_LARGE_BYTES = 1 << 20
_THROTTLED_SHARE = 0.4
_MANY = 50.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """What is wrong with one drive or its link; as it stands, nothing.

    Attributes:
        errors_per_bit: Whenever bits are carried.
        errors_per_wake: Errors on each wake.
        hot_errors_per_bit: Once the drive is above `hot_celsius`.
        crowded_errors_per_bit: While all drives are loaded.
        pace: Its rate as a share of what it should give.
        warm_celsius: What it comes to under load.
        throttles_celsius: Above this it slows itself down.
        resets_per_second: By stage, how often its controller has to be reset, each second.
        media_errors_per_second: New media errors, each loaded second.
    """

    errors_per_bit: float = 0.0
    errors_per_wake: float = 0.0
    hot_errors_per_bit: float = 0.0
    hot_celsius: float = math.inf
    crowded_errors_per_bit: float = 0.0
    pace: float = 1.0
    warm_celsius: float = _WARM
    throttles_celsius: float = math.inf
    resets_per_second: Mapping[StageName, float] = field(default_factory=dict)
    media_errors_per_second: float = 0.0


@dataclass(slots=True)
class _Counts:
    celsius: float = _COOL
    read_bytes: int = 0
    reads: int = 0
    throttled: int = 0
    media_errors: int = 0
    is_throttled: bool = False
    step_reads: int = 0


class SimulatedMachine:
    """A machine for `plan_execution.run_plan`."""

    asked_to_stop: str | None = None

    def __init__(
        self, targets: Targets, faults: Mapping[str, Fault], *, seed: int, together: frozenset[str] = frozenset()
    ) -> None:
        """Make it up: with faults by drive, and drives that are reset at one moment while all are loaded."""
        self._targets, self._faults, self._together = targets, faults, together
        self._chance = random.Random(seed)  # noqa: S311 (made up, and no secret)
        self._at = 0.0
        self._step = RunStep(stage=StageName.REST, seconds=0.0)
        self._loaded: set[str] = set()
        self._held: set[str] = set()
        self._shares: dict[str, float] = {}
        self._drives = {target.name: _Counts() for target in targets.drives}
        self._errors = dict.fromkeys(targets.links, 0)
        self._serious_at = self._chance.uniform(5.0, 25.0)
        self._step_at = 0.0

    def start(self, step: RunStep, names: Collection[str]) -> None:
        """Start a step's loads."""
        self._step, self._loaded, self._step_at = step, set(names), self._at
        self._shares = self._targets.predict({name: self._own_rate(name) for name in names})
        for counts in self._drives.values():
            counts.step_reads = 0

    def hold_back(self, names: Collection[str]) -> None:
        """Let the loads of these drives rest."""
        self._held = set(names)

    def stop(self, names: Collection[str]) -> None:
        """End the loads of these drives."""
        self._loaded -= set(names)

    def has_ended(self) -> bool:
        """Whether nothing is loaded any more."""
        return not self._loaded

    def end(self) -> Mapping[str, LoadResult]:
        """Give the accounts of the step."""
        results = {name: self._account(name) for name in self._loaded}
        self._loaded, self._held = set(), set()
        return results

    def _account(self, name: str) -> LoadResult:
        target, counts = self._target(name), self._drives[name]
        typical, reads = 90.0, counts.step_reads
        if self._step.stage is StageName.WAKE and isinstance(target.rest, Rest):
            typical += 0.7 * (target.rest.exit_us or 0)
        return LoadResult(
            error=0, read_bytes=_SMALL_BYTES * reads, reads=reads, median_us=typical, longest_us=3 * typical
        )

    def watch_next(self, *, quiet: bool) -> WatchedPass:
        """Let a second pass and read it."""
        self._at += 1.0
        occurrences = [occurred for target in self._targets.drives for occurred in self._advance_drive(target)]
        return WatchedPass(
            at=self._at,
            drives={} if quiet else {target.name: self._read(target) for target in self._targets.drives},
            links={
                path: WatchedLink(
                    gt_s=link.trained_gt_s, lanes=link.trained_lanes, port={"RxErr": self._errors[path]}, device={}
                )
                for path, link in self._targets.links.items()
            },
            occurrences=tuple(occurrences),
        )

    def _read(self, target: Target) -> WatchedDrive:
        counts = self._drives[target.name]
        return WatchedDrive(
            read_bytes=counts.read_bytes,
            reads=counts.reads,
            read_milliseconds=0,
            celsius=round(counts.celsius),
            heat_minutes=0,
            throttled=counts.throttled,
            media_errors=counts.media_errors,
        )

    def _advance_drive(self, target: Target) -> list[Occurrence]:
        """Let one drive live for a second."""
        name, stage = target.name, self._step.stage
        fault, counts = self._fault(name), self._drives[name]
        is_busy = name in self._loaded and name not in self._held and stage in LOADED
        goal = fault.warm_celsius if is_busy and stage is not StageName.SMALL else _COOL
        counts.celsius += (goal - counts.celsius) / _WARMING_SECONDS + self._chance.gauss(0.0, 0.05)
        bits = self._carry(target, fault, counts) if is_busy else 0.0
        errors = fault.errors_per_bit * bits
        errors += fault.hot_errors_per_bit * bits * (counts.celsius >= fault.hot_celsius)
        errors += fault.crowded_errors_per_bit * bits * (stage in ALL_LOADED)
        if name in self._loaded and stage is StageName.WAKE and isinstance(target.rest, Rest):
            wakes = self._draw(1.0 / target.rest.idle_seconds)
            counts.step_reads += wakes
            errors += fault.errors_per_wake * wakes
        if target.path in self._errors:
            self._errors[target.path] += self._draw(errors)
        counts.media_errors += (new := self._draw(fault.media_errors_per_second * is_busy))
        occurred = [Occurrence(name=name, kind="media-error", text="an unrecovered read error")] if new else []
        if self._draw(fault.resets_per_second.get(stage, 0.0) * (name in self._loaded)) or self._is_struck(name):
            occurred.append(Occurrence(name=name, kind="reset", text="controller is down; will reset"))
        return occurred

    def _is_struck(self, name: str) -> bool:
        struck_at = self._step_at + self._serious_at
        return name in self._together and self._step.stage in ALL_LOADED and 0.0 <= self._at - struck_at < 1.0

    def _carry(self, target: Target, fault: Fault, counts: _Counts) -> float:
        """Read for a second; give the bits that crossed the drive's own link."""
        throttles = counts.celsius >= fault.throttles_celsius
        counts.throttled += throttles and not counts.is_throttled
        counts.is_throttled = throttles
        if self._step.stage is StageName.SMALL:
            read = int(min(_SMALL_READS * _SMALL_BYTES, self._own_rate(target.name)) * fault.pace)
            reads = read // _SMALL_BYTES
        else:
            read = int(self._shares[target.name] * fault.pace * (_THROTTLED_SHARE if throttles else 1.0))
            read = int(read * self._chance.uniform(0.98, 1.0))
            reads = read // _LARGE_BYTES
        counts.read_bytes += read
        counts.reads += reads
        counts.step_reads += reads
        link = self._targets.links.get(target.path)
        return read * (link.bits_per_byte if link else 8.0)

    def _own_rate(self, name: str) -> float:
        return 0.8 * (self._target(name).record.ceiling_bytes or 1e9)

    def _target(self, name: str) -> Target:
        return next(target for target in self._targets.drives if target.name == name)

    def _fault(self, name: str) -> Fault:
        return self._faults.get(name, Fault())

    def _draw(self, mean: float) -> int:
        """Draw a Poisson count. Source: D. Knuth, The Art of Computer Programming, 3.4.1 (from memory)."""
        if mean > _MANY:
            return max(0, round(self._chance.gauss(mean, math.sqrt(mean))))
        count, product, floor = 0, self._chance.random(), math.exp(-mean)
        while product > floor:
            count, product = count + 1, product * self._chance.random()
        return count
