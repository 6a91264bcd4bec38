"""How much sooner a run names a cause than watching does: the same simulated faults, run once and watched for a month.

Run as ``python -m simulation.proof_lead --each 8`` with ``tests`` as the working folder; ``--page`` writes its part of
docs/evidence.md. The watched box is used as such boxes are (judgement, no source): a backup reads all drives each
night, a scrub once in a month, little happens by day, and idle drives are woken now and then. The program looks at it
each hour; a service looks more often, and so knows better what held when something happened.
"""

import dataclasses
import math
import random
import statistics
import sys
from collections.abc import Iterator, Sequence

from scipy import stats

from boxes.proven_box import kelp, targets
from laneproof.diagnosis.weights import CauseName
from laneproof.engine import Engine
from laneproof.findings import Finding
from laneproof.proof.run_record import StageName
from laneproof.proof.simulated_machine import Fault
from laneproof.proof.targets import Rest, Target
from laneproof_collectors.kernel_log.reading import TimedKernelEvent, kernel_events
from laneproof_collectors.kernel_log.records import parse_record
from laneproof_collectors.snapshot import HealthLog, NvmeController, PciFunction, Snapshot
from laneproof_collectors.unread import Unread
from simulation.evidence_page import prose, share, show_or_put
from simulation.proofs import CAUSES, Asked, find_bad, make_faults, try_run
from support.unread_answers import known

TITLE = "## Sooner by a run"
TICK, DAY, DAYS = 3600.0, 86_400.0, 30
RUN_HOURS = 0.5
_COOL, _FULL = 38.0, 0.5  # from half of its rate on a drive gets as warm as it does at all
_WAKES_A_TICK, _MOST_RESETS = 20, 3
_HEAT_RULES = ("throttled", "overheating")
_STAMP = kelp().snapshot.monotonic_seconds or kelp().snapshot.up_seconds


@dataclasses.dataclass(frozen=True, slots=True, kw_only=True)
class Use:
    """What the box does in an hour: a share of each drive's rate, wakes, seconds of small reads, chance of a blow."""

    share: float = 0.0
    wakes: int = _WAKES_A_TICK
    small_seconds: float = 0.0
    struck: float = 0.0


def use_at(at: float) -> Use:
    """Give the use of the hour that begins then."""
    hour, day = at % DAY / 3600.0, int(at // DAY)
    if 2.0 <= hour < 4.0:
        return Use(share=0.6, wakes=0, struck=0.25) if day == DAYS // 2 else Use(share=0.4, wakes=0, struck=0.025)
    return Use(share=0.02, small_seconds=30.0) if 8.0 <= hour < 20.0 else Use()


@dataclasses.dataclass(slots=True)
class _Counts:
    errors: int = 0
    media_errors: int = 0
    throttled: int = 0
    celsius: float = _COOL
    read_bytes: int = 0
    read_milliseconds: int = 0


class WatchedBox:
    """The demo's box with the faults of a run, as it is used."""

    def __init__(self, faults: dict[str, Fault], together: frozenset[str], chance: random.Random) -> None:
        """Begin; nothing has happened yet."""
        self._faults, self._together, self._chance = faults, together, chance
        self._counts = {target.name: _Counts() for target in targets().drives}
        self._messages: list[tuple[float, str]] = []
        self._lines = 0

    def passes(self) -> Iterator[tuple[float, Snapshot, tuple[TimedKernelEvent, ...]]]:
        """Give what is read each hour, with what the kernel said since."""
        for number in range(int(DAYS * DAY / TICK)):
            at = number * TICK
            if number:
                self._live(at - TICK, use_at(at - TICK))
            messages, self._messages = sorted(self._messages), []
            records = [parse_record(f"4,{self._lines + n},{round((_STAMP + when) * 1e6)},-;{text}\n")
                       for n, (when, text) in enumerate(messages, start=1)]  # fmt: skip
            self._lines += len(records)
            yield at, self._draw(at), tuple(kernel_events(map(known, records)))

    def _live(self, at: float, use: Use) -> None:
        struck = self._chance.random() < use.struck
        for target in targets().drives:
            fault, counts = self._faults.get(target.name, Fault()), self._counts[target.name]
            rate = 0.8 * (target.record.ceiling_bytes or 1e9) * use.share * fault.pace
            bits = rate * TICK * targets().links[target.path].bits_per_byte
            counts.celsius = _COOL + (fault.warm_celsius - _COOL) * min(1.0, use.share / _FULL)
            counts.throttled += counts.celsius >= fault.throttles_celsius
            errors = (fault.errors_per_bit + fault.crowded_errors_per_bit) * bits + fault.errors_per_wake * use.wakes
            errors += fault.hot_errors_per_bit * bits * (counts.celsius >= fault.hot_celsius)
            counts.errors += self._poisson(errors)
            counts.media_errors += self._poisson(fault.media_errors_per_second * TICK * use.share)
            counts.read_bytes += round(rate * TICK)
            counts.read_milliseconds += round(rate * TICK / (1 << 20) / fault.pace)
            for _ in range(min(_MOST_RESETS, self._poisson(self._resets(target, fault, use)))):
                self._reset(target, at + self._chance.uniform(60.0, TICK - 60.0))
        if struck:
            when = at + self._chance.uniform(60.0, TICK - 60.0)
            for target in targets().drives:
                if target.name in self._together:
                    self._reset(target, when)

    @staticmethod
    def _resets(target: Target, fault: Fault, use: Use) -> float:
        """Expect so many resets: each wake as the run's stage does one in its idle time, small reads at a tenth."""
        idle = target.rest.idle_seconds if isinstance(target.rest, Rest) else 0.0
        by_stage = fault.resets_per_second
        return (
            by_stage.get(StageName.WAKE, 0.0) * idle * use.wakes
            + by_stage.get(StageName.SMALL, 0.0) * 0.1 * use.small_seconds
        )

    def _reset(self, target: Target, when: float) -> None:
        name = target.disk.partition("n1")[0] if target.disk.endswith("n1") else target.disk
        down = f"nvme {name}: controller is down; will reset: CSTS=0xffffffff, PCI_STATUS=0x10"
        self._messages += [(when, down), (when + 3.0, f"nvme {name}: 16/0/0 default/read/poll queues")]

    def _poisson(self, mean: float) -> int:
        return int(stats.poisson.rvs(mean, random_state=self._chance.randrange(1 << 30))) if mean > 0 else 0

    def _draw(self, at: float) -> Snapshot:
        snapshot = kelp().snapshot
        ports, by_disk = {}, {}
        for target in targets().drives:
            link = kelp().topology.link_at(target.path)
            if link is not None and link.port is not None:
                ports[link.port.address] = self._counts[target.name]
            by_disk[target.disk] = self._counts[target.name]
        return dataclasses.replace(
            snapshot,
            taken_at=snapshot.taken_at + at,
            up_seconds=snapshot.up_seconds + at,
            monotonic_seconds=None if snapshot.monotonic_seconds is None else snapshot.monotonic_seconds + at,
            functions=tuple(_count_errors(each, ports.get(each.address)) for each in known(snapshot.functions)),
            controllers=tuple(
                _wear(each, by_disk.get(each.namespaces[0].name) if each.namespaces else None)
                for each in known(snapshot.controllers)
            ),
        )


def _count_errors(function: PciFunction, counts: _Counts | None) -> PciFunction:
    if counts is None or function.aer is None or isinstance(function.aer.correctable, Unread):
        return function
    kept = dict(function.aer.correctable)
    kept["RxErr"] = kept.get("RxErr", 0) + counts.errors
    return dataclasses.replace(function, aer=dataclasses.replace(function.aer, correctable=kept))


def _wear(controller: NvmeController, counts: _Counts | None) -> NvmeController:
    health, first = controller.health, controller.namespaces[0] if controller.namespaces else None
    if counts is None or not isinstance(health, HealthLog) or first is None:
        return controller
    health = dataclasses.replace(
        health,
        composite_temperature_celsius=round(counts.celsius),
        media_errors=health.media_errors + counts.media_errors,
        error_log_entries=health.error_log_entries + counts.media_errors,
        thermal_transitions_1=health.thermal_transitions_1 + counts.throttled,
    )
    read = first.statistics
    if read is not None and not isinstance(read, Unread):
        read = dataclasses.replace(
            read,
            reads=read.reads + (counts.read_bytes >> 20),
            read_bytes=read.read_bytes + counts.read_bytes,
            read_milliseconds=read.read_milliseconds + counts.read_milliseconds,
            busy_milliseconds=read.busy_milliseconds + counts.read_milliseconds,
        )
    first = dataclasses.replace(first, statistics=read)
    return dataclasses.replace(controller, health=health, namespaces=(first, *controller.namespaces[1:]))


@dataclasses.dataclass(frozen=True, slots=True, kw_only=True)
class Lead:
    """One fault: when watching first named its cause, in hours (None: not in the month), and whether a run did.

    `is_misled`: watching named a wrong cause when the month was over.
    """

    kind: str
    watched_hours: float | None
    is_misled: bool
    is_named_by_run: bool


def compare(kind: str, seed: int) -> Lead:
    """Watch a box with one fault for a month, and run it once."""
    chance = random.Random(f"{kind} {seed}")
    faults, together = make_faults(kind, chance)
    bad = find_bad(faults, together)
    engine, watched = Engine(kelp().build), WatchedBox(faults, together, chance)
    hours, named = None, [""]
    for at, snapshot, events in watched.passes():
        findings = engine.observe(snapshot, events).findings
        named = [_name_cause(finding) for finding in findings if finding.position in bad]
        if hours is None and kind in named:
            hours = at / 3600.0
    is_misled = kind not in named and any(cause not in ("", CauseName.UNDETERMINED) for cause in named)
    run = try_run(kind, seed)
    return Lead(kind=kind, watched_hours=hours, is_misled=is_misled, is_named_by_run=kind in run.named)


def _name_cause(finding: Finding) -> str:
    """Name the cause that stands first; a finding that is about heat names it by itself."""
    if finding.rule in _HEAT_RULES:
        return CauseName.HEAT
    return finding.causes[0].cause if finding.causes else ""


# --- the page ---------------------------------------------------------------------------------------------------------


def write_leads(leads: Sequence[Lead], *, command: str) -> str:
    """Write the part of the page."""
    lines = [
        TITLE,
        "",
        prose(
            f"Made by `{command}` (from `tests`): the faults of the runs above, each on a box that is watched for",
            f"{DAYS} days as it is used (a backup each night, a scrub in the month, little by day; how boxes are used",
            "is judgement), and looked at each hour; a service looks more often, and knows better what held when",
            "something happened. Days are those until watching first named the right cause; their median has exact",
            "95 % bounds (order statistics). *Misled*: a wrong cause stood first when the month was over. A run takes",
            "half an hour. The boxes of the first parts have other faults and are seen more often: their figures are",
            "better than those of watching here.",
        ),
        "",
        "| true cause | faults | named by one run | named by watching | median days of watching | misled |",
        "| --- | --- | --- | --- | --- | --- |",
        *(_row(cause, [lead for lead in leads if lead.kind == cause]) for cause in CAUSES),
        _row("all", leads),
        "",
        prose(_sum_up(leads)),
    ]
    return "\n".join(lines) + "\n"


def _row(name: str, leads: Sequence[Lead]) -> str:
    by_run = sum(lead.is_named_by_run for lead in leads)
    by_watching = sum(lead.watched_hours is not None for lead in leads)
    return (f"| {name} | {len(leads)} | {share(by_run, len(leads))} | {share(by_watching, len(leads))} "
            f"| {say_median([_days(lead) for lead in leads])} "
            f"| {share(sum(lead.is_misled for lead in leads), len(leads))} |")  # fmt: skip


def _days(lead: Lead) -> float:
    return math.inf if lead.watched_hours is None else lead.watched_hours / 24.0


def _sum_up(leads: Sequence[Lead]) -> str:
    sooner = [_days(lead) - RUN_HOURS / 24.0 for lead in leads if lead.is_named_by_run]
    both = sum(lead.is_named_by_run and lead.watched_hours is None for lead in leads)
    return (
        f"Where a run named the cause it did so sooner by {say_median(sooner)} days in the middle; of {both} of these "
        f"{len(sooner)} faults watching did not name it within the month."
    )


def say_median(days: Sequence[float]) -> str:
    """Write a median with its exact bounds; beyond the month it is known only to be longer.

    Source: order statistics of a binomial(n, 1/2), as in David and Nagaraja, Order Statistics, 2003, 7.1 (from memory).
    """
    if not days:
        return "-"
    ordered = sorted(days)
    rank = int(stats.binom.ppf(0.025, len(ordered), 0.5))
    low, high = (ordered[rank - 1], ordered[-rank]) if rank else (0.0, math.inf)
    return f"{_say(statistics.median_low(ordered))} ({_say(low)} to {_say(high)})"


def _say(days: float) -> str:
    return f"more than {DAYS}" if math.isinf(days) else f"{days:.1f}"


def main(arguments: Sequence[str]) -> int:
    """Compare as many faults as asked for, and print the part of the page or write it."""
    asked = Asked("python -m simulation.proof_lead", arguments, each=8, first=1000, kinds=CAUSES)
    show_or_put(write_leads([compare(*story) for story in asked.stories], command=asked.command), asked.page)
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
