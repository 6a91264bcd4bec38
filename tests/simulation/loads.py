"""What a box is busy with, and how warm its room is: known for each quarter of an hour of its simulated life."""

import math
import random
from dataclasses import dataclass, field

SLOT_SECONDS = 900.0
SLOTS_A_DAY = 96
DAY = 86400.0
YEAR_DAYS = 365.25
FULL_MB_S = 1500.0
"""The load at which a link is taken for fully used."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Habit:
    """How a box is used.

    Attributes:
        backup_hours: The nightly copy's length; 0: none.
        backup_mb_s: What it reads from each drive.
        scrub_every_days: How often all drives are read from end to end; 0: never.
        scrub_hours: How long that takes.
        active_share: Share of the working day's quarters in which something is written or read.
        active_mb_s: Typical rate then.
        background_mb_s: What never stops; 0: the drives fall idle in between.
        pokes_a_day: Short reads out of an idle state.
    """

    backup_hours: float = 2.0
    backup_mb_s: float = 500.0
    scrub_every_days: int = 7
    scrub_hours: float = 5.0
    active_share: float = 0.4
    active_mb_s: float = 40.0
    background_mb_s: float = 0.0
    pokes_a_day: float = 4.0


HABITS = {
    "archive": Habit(),
    "quiet": Habit(
        backup_hours=1.0, scrub_every_days=30, scrub_hours=8.0, active_share=0.1, active_mb_s=15.0, pokes_a_day=10.0
    ),
    "busy": Habit(active_share=0.9, active_mb_s=150.0, background_mb_s=5.0, pokes_a_day=0.0),
    "nightly": Habit(backup_hours=4.0, backup_mb_s=800.0, active_share=0.05, active_mb_s=20.0, pokes_a_day=6.0),
    "steady": Habit(
        backup_hours=0.0,
        scrub_every_days=14,
        active_share=1.0,
        active_mb_s=250.0,
        background_mb_s=60.0,
        pokes_a_day=0.0,
    ),
}


@dataclass(slots=True, kw_only=True)
class Loads:
    """The load of each drive over time, the same for the same seed."""

    habit: Habit
    seed: int
    _day: int = -1
    _rates: list[float] = field(default_factory=list)

    def at(self, t: float, share: float = 1.0) -> float:
        """Give MB/s of one drive in the quarter that begins at `t`.

        Args:
            t: Seconds.
            share: What this drive gets of it, 1 for a member of the array.
        """
        day, seconds = divmod(t, DAY)
        if int(day) != self._day:
            self._day, self._rates = int(day), self._draw_day(int(day))
        return self._rates[int(seconds // SLOT_SECONDS)] * share

    def _draw_day(self, day: int) -> list[float]:
        habit = self.habit
        draw = random.Random(self.seed * 100_003 + day)
        rates = [habit.background_mb_s] * SLOTS_A_DAY
        for slot in range(32, 88):  # eight in the morning to ten at night
            if draw.random() < habit.active_share:
                rates[slot] += habit.active_mb_s * draw.uniform(0.3, 2.5)
        for _ in range(round(habit.pokes_a_day)):
            slot = draw.randrange(SLOTS_A_DAY)
            rates[slot] = max(rates[slot], 0.02)
        begin = 8 + draw.randrange(3)
        for slot in range(begin, min(SLOTS_A_DAY, begin + round(habit.backup_hours * 4))):
            rates[slot] += habit.backup_mb_s * draw.uniform(0.8, 1.1)
        if habit.scrub_every_days and day % habit.scrub_every_days == self.seed % habit.scrub_every_days:
            for slot in range(20, min(SLOTS_A_DAY, 20 + round(habit.scrub_hours * 4))):
                rates[slot] += 1100.0
        return rates


@dataclass(frozen=True, slots=True, kw_only=True)
class Climate:
    """The room's temperature."""

    mean_celsius: float = 23.0
    season_celsius: float = 4.0
    day_celsius: float = 2.0
    heat_waves: tuple[tuple[float, float], ...] = ()  # when each begins and ends
    heat_wave_celsius: float = 6.0

    def at(self, t: float) -> float:
        """Give the room's temperature."""
        year = math.sin(2 * math.pi * (t / DAY / YEAR_DAYS - 0.3))
        day = math.sin(2 * math.pi * (t / DAY - 0.4))
        wave = self.heat_wave_celsius if any(begin <= t < end for begin, end in self.heat_waves) else 0.0
        return self.mean_celsius + self.season_celsius * year + self.day_celsius * day + wave
