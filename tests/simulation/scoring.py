"""What the program said of a simulated box, set against what was true of it.

An *alarm* is a finding that *differs* or is a *sign*, raised at warning or worse, or risen to it; a *notice* is one
raised below. What could not be read is neither. A fault is *found* once anything is said, after it began, of a
position or a drive that it truly concerns; the *cause named* is the first cause of whatever was said of it last.
"""

import statistics
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

from laneproof.findings import Change, Finding, FindingChange, Kind, Severity
from simulation.faults import Fault
from simulation.loads import DAY
from simulation.worlds import World

HOUR = 3600.0
CLOCK_SLACK = 8 * DAY
"""A box's clock may be a week wrong for some hours; what is said then carries that time."""

UNDETERMINED = "undetermined"


@dataclass(slots=True, kw_only=True)
class FaultScore:
    """What became of one fault.

    Attributes:
        cause: The true one.
        lasted: It showed long or often enough that it must be found.
        shown: Whether it showed at all.
        found_hours: From its first showing to the first word of it; None: never found.
        alarmed: Whether it ever made an alarm.
        named: The cause named at the end; None where no cause was ever given.
        ever_wrong: Wrong causes that stood first at some time.
        rules: The rules that spoke of it.
    """

    cause: str
    lasted: bool
    shown: bool
    found_hours: float | None = None
    alarmed: bool = False
    named: str | None = None
    ever_wrong: tuple[str, ...] = ()
    rules: tuple[str, ...] = ()


@dataclass(slots=True, kw_only=True)
class WorldScore:
    """What became of one world.

    Attributes:
        kind: Its kind.
        seed: Its seed.
        view: How it was looked at, in words.
        rich: Whether all that a sound judgement needs was there.
        days: How long it was watched.
        frames: How many frames it had.
        seconds: Processor time of the replay, writing the recording included.
        faults: Its faults.
        false_alarms: Alarms about what was fine: rule, position and summary of each.
        false_notices: Notices likewise.
        excused: What was said of things that truly were not as planned for a while.
    """

    kind: str
    seed: int
    view: str
    rich: bool
    days: float
    frames: int
    seconds: float
    faults: list[FaultScore] = field(default_factory=list)
    false_alarms: list[str] = field(default_factory=list)
    false_notices: list[str] = field(default_factory=list)
    excused: int = 0


def is_alarm(change: FindingChange) -> bool:
    """Whether a change is one that an owner would be disturbed for."""
    finding = change.finding
    return (
        change.change is not Change.CLEARED
        and finding.kind is not Kind.UNVERIFIED
        and finding.severity is not Severity.NOTICE
    )


def score(world: World, changes: Sequence[FindingChange], *, frames: int, seconds: float) -> WorldScore:
    """Set all that the program said, in order, against the truth of a world that has run."""
    result = WorldScore(
        kind=world.kind, seed=world.seed, view=world.view.describe(), rich=world.view.is_rich, days=world.days,
        frames=frames, seconds=seconds,
    )  # fmt: skip
    result.faults = [_score_fault(world, fault, changes) for fault in world.faults]
    loud: dict[tuple[str, str], bool] = {}
    for change in changes:
        finding = change.finding
        if change.change is Change.CLEARED or finding.kind is Kind.UNVERIFIED:
            loud.pop(finding.identity, None)
            continue
        is_alarm = finding.severity is not Severity.NOTICE
        before = loud.get(finding.identity)
        loud[finding.identity] = is_alarm
        if before is None or is_alarm > before:
            _file(world, result, change, is_alarm=is_alarm)
    return result


def _file(world: World, result: WorldScore, change: FindingChange, *, is_alarm: bool) -> None:
    finding = change.finding
    begun = (fault for fault in world.faults if change.at >= fault.began_at - CLOCK_SLACK)
    if any(concerns(world, fault.positions, fault.serials, finding) for fault in begun):
        return
    for path, begin, end, _ in world.upkeep.excused:
        if begin - CLOCK_SLACK <= change.at <= end + CLOCK_SLACK and concerns(world, {path}, set(), finding):
            result.excused += 1
            return
    position = finding.position or finding.key or finding.subject
    line = f"day {(change.at - world.until) / DAY + world.days:.1f}: {finding.rule} {position}: {finding.summary}"
    (result.false_alarms if is_alarm else result.false_notices).append(line)


def concerns(world: World, positions: set[str], serials: set[str], finding: Finding) -> bool:
    """Whether a finding is about one of some positions or drives."""
    labels = {world.labels[path] for path in positions if path in world.labels}
    about = {finding.position, finding.key, finding.subject, *map(finding.evidence.get, ("path", "serial"))}
    if about & (labels | positions | serials):
        return True
    words = " ".join(str(text) for text in (finding.key, finding.subject))
    return any(path in words.split() for path in positions) or any(serial in words for serial in serials)


def _score_fault(world: World, fault: Fault, changes: Iterable[FindingChange]) -> FaultScore:
    result = FaultScore(cause=fault.cause, lasted=fault.lasted, shown=bool(fault.shown))
    if not fault.shown:
        return result
    first = min(fault.shown)
    rules: list[str] = []
    wrong: list[str] = []
    for change in changes:
        finding = change.finding
        if change.at < fault.began_at or change.change is Change.CLEARED or finding.kind is Kind.UNVERIFIED:
            continue
        if not concerns(world, fault.positions, fault.serials, finding):
            continue
        if result.found_hours is None:
            result.found_hours = max(0.0, (change.at - first) / HOUR)
        result.alarmed = result.alarmed or finding.severity is not Severity.NOTICE
        if finding.rule not in rules:
            rules.append(finding.rule)
        if finding.causes:
            result.named = finding.causes[0].cause
            if result.named not in (fault.cause, UNDETERMINED, *wrong):
                wrong.append(result.named)
    result.rules, result.ever_wrong = tuple(rules), tuple(wrong)
    return result


def median_hours(scores: Iterable[FaultScore]) -> float | None:
    """Give the median delay of the faults found."""
    delays = [score.found_hours for score in scores if score.found_hours is not None]
    return statistics.median(delays) if delays else None
