"""Boxes with a known truth: healthy ones with all that happens to a sound box, and ones with each cause of trouble.

`make_world` draws one of a kind from a seed; its `lines` are a recording.
"""

import random
from collections.abc import Iterator
from dataclasses import dataclass

from simulation import plots
from simulation.boxes import draw_blueprint
from simulation.families import Family
from simulation.faults import Fault
from simulation.loads import DAY, HABITS, Climate, Loads
from simulation.running_box import RunningBox
from simulation.upkeep import Upkeep
from simulation.views import View, draw_view

START = 1_790_000_000.0 - 1_790_000_000.0 % DAY
HEALTHY = "healthy"


@dataclass(frozen=True, slots=True, kw_only=True)
class World:
    """One box, its life and its truth.

    Attributes:
        kind: What was asked for.
        seed: What it was drawn from.
        build: Its declaration, None where it has none.
        labels: Positions' labels by path.
        view: How it is looked at.
        running: The box.
        until: When its story ends.
        faults: What is truly wrong with it; their lists fill up while it runs.
        upkeep: What happened to it besides.
    """

    kind: str
    seed: int
    build: str | None
    labels: dict[str, str]
    view: View
    running: RunningBox
    until: float
    faults: tuple[Fault, ...]
    upkeep: Upkeep

    @property
    def days(self) -> float:
        """How long its story is."""
        return (self.until - START) / DAY

    def lines(self) -> Iterator[str]:
        """Run the box, once, and give its recording."""
        return self.running.run(self.until)


def make_world(kind: str, seed: int, family: Family) -> World:
    """Draw a box of a kind (``healthy``, a cause, ``two-at-once``), which has not run yet; a seed is a recording."""
    word = "overheating" if kind == "heat" else kind  # its name of old: the same seed still draws the same world
    draw = random.Random(f"{family.name}/{word}/{seed}")
    spacing, days = draw.choice(family.pace)
    view = draw_view(draw, kernels=family.kernels, spacings=(spacing,))
    habit = draw.choice([name for name in family.habits if plots.suits(kind, HABITS[name])])
    blueprint = draw_blueprint(draw, family)
    until = START + days * DAY
    running = RunningBox(
        blueprint.box,
        view=view,
        loads=Loads(habit=HABITS[habit], seed=draw.randrange(1 << 30)),
        climate=_draw_climate(draw, days),
        start=START,
    )
    for life in running.lives:
        median, spread, most = family.sound_errors
        life.base_errors_an_hour = min(most, draw.lognormvariate(0.0, spread) * median)
        life.warmer_celsius = draw.uniform(-3, 4)
        life.share = blueprint.shares.get(life.port.path, 1.0)
    upkeep = Upkeep(family.customs, until, [])
    running.influences.append(upkeep)
    upkeep.plan(running)
    faults = plots.plan(kind, running, draw, family, until)
    running.influences.extend(faults)
    running.begin_frames(START + 300)
    declared = kind == "firmware-setting" or draw.random() < family.declared_share
    return World(
        kind=kind, seed=seed, build=blueprint.declaration() if declared else None,
        labels=blueprint.labels if declared else {}, view=view, running=running, until=until, faults=faults,
        upkeep=upkeep,
    )  # fmt: skip


def _draw_climate(draw: random.Random, days: float) -> Climate:
    waves = []
    for _ in range(draw.randint(0, 3)):
        begin = START + draw.uniform(0, days) * DAY
        waves.append((begin, begin + draw.uniform(2, 6) * DAY))
    return Climate(
        mean_celsius=draw.uniform(20, 25), season_celsius=draw.uniform(1, 4), day_celsius=draw.uniform(0.5, 3),
        heat_waves=tuple(waves), heat_wave_celsius=draw.uniform(3, 6),
    )  # fmt: skip
