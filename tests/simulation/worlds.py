"""Boxes with a known truth: healthy ones with all that happens to a sound box, and ones with each cause of trouble.

`make_world` draws one of a kind from a seed; its `lines` are a recording. As a program, ``python -m simulation.worlds
OUT KIND SEED [FAMILY]`` (from ``tests``) writes a recording, its declaration and its truth as JSON.
"""

import json
import random
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from simulation import plots
from simulation.boxes import Blueprint, draw_blueprint
from simulation.families import FAMILIES, Family
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
        family: Which family it is of.
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
    family: str
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

    def truth(self) -> dict[str, object]:
        """Give the truth as JSON, once it has run."""
        return {
            "kind": self.kind,
            "seed": self.seed,
            "family": self.family,
            "view": self.view.describe(),
            "days": self.days,
            "faults": [
                {
                    "cause": fault.cause,
                    "began_at": fault.began_at,
                    "cured_at": fault.cured_at,
                    "shown": len(fault.shown),
                    "first_shown_at": min(fault.shown, default=None),
                    "positions": sorted(self.labels.get(path, path) for path in fault.positions),
                    "serials": sorted(fault.serials),
                }
                for fault in self.faults
            ],
            "excused": [
                (self.labels.get(path, path), begin, end, what) for path, begin, end, what in self.upkeep.excused
            ],
        }


def make_world(kind: str, seed: int, family: Family) -> World:
    """Draw a box of a kind.

    Args:
        kind: ``healthy``, a cause, ``two-at-once``; see `plots.PLOTS`.
        seed: The same seed gives the same recording.
        family: From what it is drawn.

    Returns:
        The world, not run yet.
    """
    word = "overheating" if kind == "heat" else kind  # its name of old: the same seed still draws the same world
    draw = random.Random(f"{family.name}/{word}/{seed}")
    spacing, days = draw.choice(family.pace)
    view = draw_view(draw, kernels=family.kernels, spacings=(spacing,))
    habit = draw.choice([name for name in family.habits if plots.suits(kind, HABITS[name])])
    blueprint: Blueprint = draw_blueprint(draw, family)
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
        kind=kind,
        seed=seed,
        family=family.name,
        build=blueprint.declaration() if declared else None,
        labels=blueprint.labels if declared else {},
        view=view,
        running=running,
        until=until,
        faults=faults,
        upkeep=upkeep,
    )


def _draw_climate(draw: random.Random, days: float) -> Climate:
    waves = []
    for _ in range(draw.randint(0, 3)):
        begin = START + draw.uniform(0, days) * DAY
        waves.append((begin, begin + draw.uniform(2, 6) * DAY))
    return Climate(
        mean_celsius=draw.uniform(20, 25), season_celsius=draw.uniform(1, 4), day_celsius=draw.uniform(0.5, 3),
        heat_waves=tuple(waves), heat_wave_celsius=draw.uniform(3, 6),
    )  # fmt: skip


if __name__ == "__main__":
    out, kind, seed, *more = sys.argv[1:]
    world = make_world(kind, int(seed), FAMILIES[more[0] if more else "tuning"])
    folder = Path(out)
    folder.mkdir(parents=True, exist_ok=True)
    name = f"{world.family}-{kind}-{seed}"
    with (folder / f"{name}.jsonl").open("w") as recording:
        recording.writelines(f"{line}\n" for line in world.lines())
    if world.build:
        (folder / f"{name}.toml").write_text(world.build)
    (folder / f"{name}.truth.json").write_text(json.dumps(world.truth(), indent=1))
