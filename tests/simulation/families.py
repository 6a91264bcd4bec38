"""Two families of simulated boxes: on one the program's thresholds are tuned, on the other its figures are taken.

They differ in everything that the program cannot know: makes of box, habits, kernels, how fast faults grow, how drives
come back, how noisy a sound link is.
"""

import random
from dataclasses import dataclass, replace

from simulation.upkeep import Customs

Range = tuple[float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Family:
    """Ranges from which a world is drawn.

    Attributes:
        name: ``tuning`` or ``report``.
        kernels: Kernel versions.
        pace: Seconds between frames, with the days that a world then lasts.
        habits: Names of `HABITS`.
        sound_errors: Median and spread (of the logarithm) of a sound link's errors per hour, and their most.
        customs: Everyday life.
        path_errors: A bad path's errors per hour at first.
        path_doubling_days: How long until they double.
        path_drops: Drops per hour of load.
        idle_drops_a_day: How often leaving rest fails, by the day.
        clock_hours: Period of a firmware's stumbles.
        heat_over: Degrees over its warning threshold that a badly cooled drive reaches at full load.
        media_errors: Media errors in the first thirty days.
        media_growth: How they grow.
        supply_drops: Drops per hour of load.
        declared_share: Share of boxes with a declaration.
    """

    name: str
    kernels: tuple[tuple[int, int], ...]
    pace: tuple[tuple[float, float], ...]
    habits: tuple[str, ...]
    sound_errors: tuple[float, float, float]
    customs: Customs
    path_errors: Range
    path_doubling_days: Range
    path_drops: Range
    idle_drops_a_day: Range
    clock_hours: Range
    heat_over: Range
    media_errors: Range
    media_growth: Range
    supply_drops: Range
    declared_share: float

    def within(self, draw: random.Random, between: Range) -> float:
        """Draw from a range, evenly in the logarithm where it spans more than a factor of four."""
        low, high = between
        if low > 0 and high / low > 4:
            return low * (high / low) ** draw.random()
        return draw.uniform(low, high)


TUNING = Family(
    name="tuning",
    kernels=((5, 10), (6, 1), (6, 8)),
    pace=((900.0, 60.0), (3600.0, 150.0), (3600.0, 200.0), (10800.0, 200.0)),
    habits=("archive", "quiet", "busy"),
    sound_errors=(0.004, 1.2, 0.1),
    customs=Customs(),
    path_errors=(3.0, 60.0),
    path_doubling_days=(3.0, 10.0),
    path_drops=(0.02, 0.3),
    idle_drops_a_day=(0.15, 0.8),
    clock_hours=(12.0, 48.0),
    heat_over=(2.0, 10.0),
    media_errors=(8.0, 80.0),
    media_growth=(1.5, 3.0),
    supply_drops=(0.03, 0.15),
    declared_share=0.75,
)

REPORT = replace(
    TUNING,
    name="report",
    kernels=((5, 15), (6, 6), (6, 12)),
    pace=((60.0, 6.0), (300.0, 24.0), (1800.0, 90.0), (3600.0, 180.0), (7200.0, 240.0), (21600.0, 240.0)),
    habits=("nightly", "archive", "steady", "quiet"),
    sound_errors=(0.008, 1.5, 0.25),
    customs=Customs(
        updates=14.0, cuts=3.0, bursts=5.0, gaps=5.0, clock_steps=3.0, swaps=0.8, talkative=0.8, polled=2.0
    ),
    path_errors=(0.8, 200.0),
    path_doubling_days=(2.0, 15.0),
    path_drops=(0.03, 0.5),
    idle_drops_a_day=(0.12, 1.5),
    clock_hours=(6.0, 72.0),
    heat_over=(1.5, 14.0),
    media_errors=(5.0, 200.0),
    media_growth=(1.2, 3.5),
    supply_drops=(0.02, 0.3),
    declared_share=0.6,
)

FAMILIES = {family.name: family for family in (TUNING, REPORT)}
