"""Strange boxes: each has one oddity or two, healthy or not, and otherwise a calm life; how they are judged is counted.

As a program, ``python -m simulation.strange.worlds KIND SEED`` (from ``tests``) shows what was said of one box.
"""

import random
import sys
import time
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field

from laneproof.findings import FindingChange, Kind
from simulation.boxes import draw_blueprint
from simulation.families import REPORT
from simulation.loads import DAY, HABITS, Climate, Loads
from simulation.replaying import Replay
from simulation.running_box import RunningBox
from simulation.scoring import is_alarm, score
from simulation.strange import drives, habits, machines, odd_faults, owners, rarities, troubles
from simulation.strange.oddity import Oddity
from simulation.upkeep import Customs, Upkeep
from simulation.views import Counting, View
from simulation.worlds import START, World

HEALTHY = {**owners.ODDITIES, **machines.ODDITIES, **drives.ODDITIES, **habits.ODDITIES, **rarities.ODDITIES}
ALL = {**HEALTHY, **troubles.TROUBLES, **odd_faults.TROUBLES, **rarities.TROUBLES}
CALM = Customs(
    updates=4, cuts=0.5, bursts=1, gaps=1, clock_steps=0.5, short_boots=0, missing_boots=0, swaps=0, removals=0,
    firmware_updates=0, polled=1, forgeries=0, talkative=0.3,
)  # fmt: skip
NEVER_EXCUSED = ("drops-off-bus", "controller-resets", "link-retrained-down", "unsafe-shutdowns-rising")
"""What an owner's own hand never amounts to."""
PACES = ((600.0, 10.0), (3600.0, 45.0), (14400.0, 240.0))
"""Seconds between frames, with the days that a world then lasts."""
MONTH_DAYS = 30.44
MOST_LINES = 20
"""How many changed lines a month a healthy box may have: one that reads them all must not grow tired of it."""


@dataclass(slots=True, kw_only=True)
class StrangeScore:
    """What was said of one strange box.

    Attributes:
        kind: Its oddity.
        seed: Its seed.
        also: Its second oddity, empty for none.
        healthy: Whether nothing is wrong with it.
        days: How long it was watched.
        frames: In how many frames.
        alarms: Alarms about what was fine: day, rule, position, summary.
        notices: Notices likewise.
        lines: Changed lines, all kinds, *unverified* and *cleared* among them.
        by_rule: Changed lines by rule.
        complaints: What should have been said of a box in trouble, and was not, or was said wrongly.
    """

    kind: str
    seed: int
    also: str
    healthy: bool
    days: float
    frames: int
    alarms: list[str] = field(default_factory=list)
    notices: list[str] = field(default_factory=list)
    lines: int = 0
    by_rule: Counter[str] = field(default_factory=Counter)
    complaints: list[str] = field(default_factory=list)

    @property
    def lines_a_month(self) -> float:
        """How many changed lines a month."""
        return self.lines / self.days * MONTH_DAYS


def make_strange_world(
    kind: str, seed: int, paces: Sequence[tuple[float, float]] = PACES
) -> tuple[World, list[Oddity], str]:
    """Draw a strange box, of a kind of `ALL`: gives it, its oddities, and the second one's name, empty for none."""
    draw = random.Random(f"strange/{kind}/{seed}")
    spacing, days = draw.choice(paces)
    until = START + days * DAY
    blueprint = draw_blueprint(draw, REPORT)
    running = RunningBox(
        blueprint.box,
        view=View(
            spacing_seconds=spacing,
            around_events=draw.random() < 0.5,
            counting=Counting.NONE if draw.random() < 0.15 else Counting.BOTH,
        ),
        loads=Loads(habit=HABITS[draw.choice(("nightly", "archive", "quiet"))], seed=draw.randrange(1 << 30)),
        climate=Climate(mean_celsius=draw.uniform(19, 24), season_celsius=2, day_celsius=1.5),
        start=START,
    )
    for life in running.lives:
        life.base_errors_an_hour = min(0.05, draw.lognormvariate(0.0, 1.2) * 0.004)
        life.share = blueprint.shares.get(life.port.path, 1.0)
    upkeep = Upkeep(CALM, until, [])
    upkeep.plan(running)
    running.influences.append(upkeep)
    also = draw.choice(["", "", *(name for name in HEALTHY if name != kind)]) if kind in HEALTHY else ""
    oddities = [ALL[name](until, upkeep.excused) for name in (kind, also) if name]
    for oddity in oddities:
        oddity.prepare(running)
        running.influences.append(oddity)
    running.begin_frames(START + 300)
    declared = blueprint.declaration()
    for oddity in oddities:
        declared = oddity.declare(declared)
    build = declared if draw.random() < 0.7 else None
    world = World(
        kind=kind, seed=seed, build=build, labels=blueprint.labels if build else {},
        view=running.view, running=running, until=until, faults=(), upkeep=upkeep,
    )  # fmt: skip
    return world, oddities, also


def try_strange(
    kind: str, seed: int, paces: Sequence[tuple[float, float]] = PACES
) -> tuple[StrangeScore, list[FindingChange]]:
    """Run a strange box through the engine, and count what was said."""
    world, oddities, also = make_strange_world(kind, seed, paces)
    began = time.process_time()
    replay = Replay(world.lines(), world.build, starts=world.running.watch_starts, stops=world.running.stops)
    changes = list(replay.changes())
    scored = score(world, changes, frames=replay.frames, seconds=time.process_time() - began)
    if kind in HEALTHY:
        scored.false_alarms += _blame_of_an_owner(changes, scored.false_alarms)
    by_rule = Counter(
        change.finding.rule + (" (unverified)" if change.finding.kind is Kind.UNVERIFIED else "") for change in changes
    )
    return StrangeScore(
        kind=kind, seed=seed, also=also, healthy=kind in HEALTHY, days=world.days, frames=replay.frames,
        alarms=scored.false_alarms if kind in HEALTHY else [], notices=scored.false_notices if kind in HEALTHY else [],
        lines=len(changes), by_rule=by_rule,
        complaints=[words for oddity in oddities for words in oddity.complaints(world, changes)],
    ), changes  # fmt: skip


def _blame_of_an_owner(changes: Sequence[FindingChange], known: Sequence[str]) -> list[str]:
    """Give the alarms that nothing excuses in a sound box: a position may be empty, but no drive fell."""
    alarms = (
        f"day {(change.at - START) / DAY:.1f}: {change.finding.rule} {change.finding.position or change.finding.key}: "
        f"{change.finding.summary}"
        for change in changes
        if change.finding.rule in NEVER_EXCUSED and is_alarm(change)
    )
    return [words for words in alarms if words not in known]


def show(scored: StrangeScore) -> str:
    """Say in a few lines what became of one box."""
    name = f"{scored.kind} {scored.seed}" + (f" + {scored.also}" if scored.also else "")
    lines = [f"{name}: {scored.days:.0f} days, {scored.frames} frames; {scored.lines_a_month:.0f} lines a month"]
    lines += [f"    WRONG {words}" for words in scored.complaints]
    lines += [f"    ALARM {words}" for words in scored.alarms[:8]]
    lines += [f"    notice {words}" for words in scored.notices[:5]]
    if scored.lines_a_month > MOST_LINES:
        lines.append("    lines: " + ", ".join(f"{rule} {count}" for rule, count in scored.by_rule.most_common(4)))
    return "\n".join(lines)


if __name__ == "__main__":
    names, seeds = sys.argv[1].split(",") if sys.argv[1] != "all" else [*ALL], sys.argv[2].split("-")
    for name in names:
        for number in range(int(seeds[0]), int(seeds[-1]) + 1):
            scored, all_changes = try_strange(name, number)
            print(show(scored), flush=True)
            if "-v" in sys.argv:
                for change in all_changes:
                    finding = change.finding
                    print(f"      {(change.at - START) / DAY:7.2f} {change.change} {finding.kind} {finding.severity} "
                          f"{finding.rule} {finding.position or finding.key}: {finding.summary}")  # fmt: skip
