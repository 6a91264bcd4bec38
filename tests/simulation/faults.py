"""What goes wrong: each cause as something that acts on the running box, and that knows what it truly is.

How a fault shows is drawn for each box: how fast it grows, when it strikes, how the drive comes back, which of its
signs there are. Nothing in here knows the thresholds or weights of the program that is tried on it.
"""

import math
import random
from dataclasses import dataclass, field

from simulation.hardware import Drive, Port, Presence
from simulation.loads import DAY, FULL_MB_S, SLOT_SECONDS
from simulation.losing import Manner, Return, lose
from simulation.running_box import Influence, Life, RunningBox
from simulation.views import Counting

HOUR = 3600.0
LASTING_EPISODES, LASTING_DAYS = 4, 14
NOTABLE_ERRORS_A_DAY = 50
REST_SECONDS = 900.0
"""How long a rest must have been for the drive not to come back from it."""


@dataclass(slots=True, kw_only=True)
class Fault(Influence):
    """One fault of known cause.

    Attributes:
        cause: The cause's name.
        began_at: When it began, unix seconds.
        cured_at: When something cured it; None while it lasts.
        shown: Each time that it could be noticed from outside: drops, resets, new media errors, a day of many errors.
        episodes: Those of them that were drops, resets or links that fell short.
        positions: Paths of the ports at which it showed.
        serials: Serial numbers of the drives on which it showed.
        port: The port that it stays with, where it does.
        serial: The drive that it goes with, where it does.
    """

    cause: str
    began_at: float
    port: Port | None = None
    serial: str | None = None
    cured_at: float | None = None
    shown: list[float] = field(default_factory=list)
    episodes: list[float] = field(default_factory=list)
    positions: set[str] = field(default_factory=set)
    serials: set[str] = field(default_factory=set)
    manners: tuple[Manner, ...] = (Manner(),)

    def active(self, box: RunningBox) -> bool:
        """Whether it acts now."""
        return self.began_at <= box.now and (self.cured_at is None or box.now < self.cured_at)

    def concerns(self, life: Life) -> bool:
        """Whether it sits at this port, or in this drive."""
        return life.port is self.port or (life.drive is not None and life.drive.serial == self.serial)

    @property
    def lasted(self) -> bool:
        """Whether it showed long or often enough that it must be found: four episodes, or two weeks."""
        return len(self.episodes) >= LASTING_EPISODES or (
            bool(self.shown) and max(self.shown) - min(self.shown) >= LASTING_DAYS * DAY
        )

    def note(self, box: RunningBox, life: Life, *, episode: bool = True) -> None:
        """Keep that it showed, and where."""
        self.shown.append(box.now)
        if episode:
            self.episodes.append(box.now)
        self.mark(life)

    def mark(self, life: Life) -> None:
        """Keep where it is to be seen."""
        self.positions.add(life.port.path)
        if life.drive is not None:
            self.serials.add(life.drive.serial)

    def strike(self, box: RunningBox, life: Life, t: float, manner: Manner | None = None) -> None:
        """Lose a drive at a time to come, with frames before and after where the view has them."""
        chosen = manner or box.draw.choice(self.manners)

        def now() -> None:
            if self.active(box) and lose(box, life, chosen):
                self.note(box, life)
                if box.view.around_events:
                    box.at(box.now + box.draw.uniform(4, 80), box.frame)

        if box.view.around_events:
            box.at(t - box.view.before_seconds * box.draw.uniform(0.7, 1.3), box.frame)
        box.at(t, now)

    def may_strike(self, box: RunningBox, life: Life, per_hour: float) -> None:
        """Let it strike within this quarter, with a chance that a rate per hour makes."""
        if box.draw.random() < -math.expm1(-per_hour * SLOT_SECONDS / HOUR):
            self.strike(box, life, box.now + box.draw.uniform(0.05, 0.98) * SLOT_SECONDS)


@dataclass(slots=True, kw_only=True)
class PathFault(Fault):
    """A cable, adapter or socket going bad: errors that grow with time, load and heat; then drops and retraining.

    Attributes:
        errors_an_hour: At first, at full load.
        doubling_days: How long until they double.
        drops_an_hour: At full load, once grown.
        retrains_a_day: How often the link falls to a lower rate or width.
        short_boots: Share of boots that train short.
        heat_per_celsius: How much more with each degree.
    """

    cause: str = "signal-path"
    errors_an_hour: float = 20.0
    doubling_days: float = 6.0
    drops_an_hour: float = 0.05
    retrains_a_day: float = 0.0
    short_boots: float = 0.0
    heat_per_celsius: float = 0.04
    _counted: int = 0

    def _growth(self, box: RunningBox) -> float:
        return min(2.0 ** ((box.now - self.began_at) / DAY / self.doubling_days), 3000.0)

    def error_rate(self, box: RunningBox, life: Life) -> float:
        """Errors follow load and heat."""
        if not self.concerns(life) or not self.active(box) or life.drive is None:
            return 0.0
        carried = 0.05 + 0.95 * min(1.0, life.load / (0.5 * FULL_MB_S))
        heat = math.exp(self.heat_per_celsius * (life.temperature - 40.0))
        slower = 0.1 if life.port.forced_generation else 1.0  # a slower link has more margin
        return self.errors_an_hour * self._growth(box) * carried * heat * slower

    def tick(self, box: RunningBox) -> None:
        """Drops come under load; a retraining link stays slow until the next boot."""
        if not self.active(box):
            return
        life = next(filter(self.concerns, box.lives))
        if life.drive is None or life.drive.presence is not Presence.HERE:
            return
        self.mark(life)
        self._note_errors(box, life)
        grown = min(1.0, self._growth(box) / 8.0)
        if life.load > 0:
            loaded = min(1.0, life.load / (0.3 * FULL_MB_S))
            self.may_strike(box, life, self.drops_an_hour * grown * loaded)
        if box.draw.random() < self.retrains_a_day * grown / 96.0:
            box.at(box.now + box.draw.uniform(0, SLOT_SECONDS), lambda: self._retrain(box, life))

    def _note_errors(self, box: RunningBox, life: Life) -> None:
        """A day of many errors shows the fault, where anybody counts them."""
        if box.view.counting is Counting.NONE or box.now % DAY >= SLOT_SECONDS or life.drive is None:
            return
        total = sum(life.drive.counters.values()) * life.drive.has_aer + sum(life.port.counters.values())
        if total - self._counted >= NOTABLE_ERRORS_A_DAY:
            self.note(box, life, episode=False)
        self._counted = total

    def _retrain(self, box: RunningBox, life: Life) -> None:
        if life.port.forced_generation or life.port.forced_lanes or not self.active(box) or box.is_off:
            return
        if life.drive is None or life.drive.presence is not Presence.HERE:
            return
        self._fall_short(box, life)
        self.note(box, life)
        box.changed()
        if box.view.around_events:
            box.at(box.now + 30.0, box.frame)

    def _fall_short(self, box: RunningBox, life: Life) -> None:
        if (trained := life.port.train()) is None:
            return
        generation, lanes = trained
        if lanes > 1 and box.draw.random() < 0.4:
            life.port.forced_lanes = lanes // 2
        elif generation > 1:
            life.port.forced_generation = box.draw.choice((max(1, generation - 1), 1))

    def booted(self, box: RunningBox) -> None:
        """Some boots train short."""
        life = next(filter(self.concerns, box.lives))
        if self.active(box) and life.drive is not None and box.draw.random() < self.short_boots:
            self._fall_short(box, life)
            self.note(box, life)


@dataclass(slots=True, kw_only=True)
class IdleFault(Fault):
    """Power management: the drive does not always come back from an idle state.

    Attributes:
        chance: Chance that leaving rest fails.
    """

    cause: str = "power-management"
    chance: float = 0.05

    def tick(self, box: RunningBox) -> None:
        """A rest that ends may end in a drop, within seconds of the first command."""
        if not self.active(box):
            return
        for life in filter(self.concerns, box.lives):
            self.mark(life)
            if life.rested_seconds >= REST_SECONDS and box.draw.random() < self.chance:
                self.strike(box, life, box.now + box.draw.uniform(1.0, 40.0))


@dataclass(slots=True, kw_only=True)
class HeatFault(Fault):
    """A fan that stops, dust, a heat sink come loose: the drive is hot under load, slows down, and may drop.

    Attributes:
        degrees: How much warmer it grows.
        grows_days: Until it is that much warmer.
        drops_an_hour: When at its critical temperature.
    """

    cause: str = "heat"
    degrees: float = 32.0
    grows_days: float = 5.0
    drops_an_hour: float = 0.5

    def warmth(self, box: RunningBox, life: Life) -> float:
        """Warmer with the days, and more so under load."""
        if not self.concerns(life) or not self.active(box):
            return 0.0
        grown = min(1.0, (box.now - self.began_at) / DAY / self.grows_days)
        return self.degrees * grown * (0.55 + 0.45 * min(1.0, life.load / (0.3 * FULL_MB_S)))

    def tick(self, box: RunningBox) -> None:
        """A drive near its critical temperature may drop."""
        if not self.active(box):
            return
        for life in filter(self.concerns, box.lives):
            self.mark(life)
            if life.drive is None:
                continue
            if life.temperature >= life.drive.warning_celsius:
                self.note(box, life, episode=False)
            if life.temperature >= life.drive.critical_celsius - 3:
                self.may_strike(box, life, self.drops_an_hour)


@dataclass(slots=True, kw_only=True)
class DriveFault(Fault):
    """A drive that fails: media errors that come faster and faster, spare that shrinks, at last resets and drops.

    Attributes:
        errors_by_day: Media errors expected ``age`` days after it began: ``errors_by_day (age / horizon) ** growth``.
        horizon_days: See there.
        growth: Exponent; above 1 errors come faster with time.
        spare_errors: Media errors that cost one per cent of spare.
        drops_an_hour: Resets and drops, after a third of that, whatever the load.
    """

    cause: str = "drive-failing"
    errors_by_day: float = 10.0
    horizon_days: float = 30.0
    growth: float = 2.0
    spare_errors: int = 4
    drops_an_hour: float = 0.0
    _errors: float = 0.0
    _next: float = 1.0

    def tick(self, box: RunningBox) -> None:
        """Bad blocks are met by reads; drops come any time."""
        if not self.active(box):
            return
        age = (box.now - self.began_at) / DAY
        for life in filter(self.concerns, box.lives):
            self.mark(life)
            if life.drive is None or life.drive.presence is not Presence.HERE:
                continue
            expected = self.errors_by_day * (age / self.horizon_days) ** self.growth
            if life.load > 0 and expected > self._errors:
                self._meet(box, life, life.drive, expected)
            if age > self.horizon_days / 3:
                self.may_strike(box, life, self.drops_an_hour)

    def _meet(self, box: RunningBox, life: Life, drive: Drive, expected: float) -> None:
        number = 0
        while expected > self._next:
            number += 1
            self._next += box.draw.expovariate(1.0)
        self._errors = expected
        if number:
            box.at(
                box.now + box.draw.uniform(0, SLOT_SECONDS * 0.9), lambda: self._media_errors(box, life, drive, number)
            )

    def _media_errors(self, box: RunningBox, life: Life, drive: Drive, number: int) -> None:
        if box.is_off or drive.presence is not Presence.HERE or drive.number is None:
            return
        health = drive.health
        before = health.media_errors
        health.media_errors += number
        health.error_log_entries += number
        used = health.media_errors // self.spare_errors - before // self.spare_errors
        health.spare_percent = max(0, health.spare_percent - used)
        if health.spare_percent < health.spare_threshold_percent:
            health.critical_warning |= 1
        for _ in range(min(number, 3)):
            box.say(box.words.bad_medium(drive.number, sector=box.draw.randrange(1 << 32)))
        self.note(box, life, episode=False)


@dataclass(slots=True, kw_only=True)
class ClockFault(Fault):
    """Firmware of a drive: since an update it stumbles at regular times, whatever it is doing.

    Attributes:
        period_seconds: Time from one stumble to the next.
        jitter: Share of the period by which a stumble may be off.
    """

    cause: str = "drive-firmware"
    period_seconds: float = 30 * HOUR
    jitter: float = 0.02
    _next: float | None = None

    def tick(self, box: RunningBox) -> None:
        """Strike by the clock."""
        if not self.active(box):
            return
        if self._next is None:
            self._next = self.began_at + self.period_seconds * box.draw.uniform(0.5, 1.0)
        for life in filter(self.concerns, box.lives):
            self.mark(life)
            if self._next < box.now + SLOT_SECONDS:
                self.strike(box, life, max(box.now, self._next))
                off = box.draw.uniform(-self.jitter, self.jitter)
                self._next = max(box.now, self._next) + self.period_seconds * (1 + off)


@dataclass(slots=True, kw_only=True)
class SupplyFault(Fault):
    """Something shared: several drives lose their power, or their upstream part, at the same moment under load.

    Attributes:
        ports: The positions that share it.
        drops_an_hour: At full load.
    """

    cause: str = "shared-supply"
    ports: list[Port] = field(default_factory=list)
    drops_an_hour: float = 0.06

    def concerns(self, life: Life) -> bool:
        """It stays with the positions."""
        return any(life.port is port for port in self.ports)

    def tick(self, box: RunningBox) -> None:
        """A peak of load takes all of them, or all but one."""
        if not self.active(box):
            return
        mine = [life for life in box.lives if self.concerns(life) and life.drive is not None]
        for life in mine:
            self.mark(life)
        load = max((life.load for life in mine), default=0.0)
        rate = self.drops_an_hour * (0.03 + 0.97 * min(1.0, load / (0.3 * FULL_MB_S)))
        if box.draw.random() < -math.expm1(-rate * SLOT_SECONDS / HOUR):
            t = box.now + box.draw.uniform(0.05, 0.98) * SLOT_SECONDS
            manner = box.draw.choice(self.manners)
            hit = mine if len(mine) < 3 or box.draw.random() < 0.7 else box.draw.sample(mine, len(mine) - 1)
            for life in hit:
                self.strike(box, life, t + box.draw.uniform(0, 1.5), manner)


@dataclass(slots=True, kw_only=True)
class SettingFault(Fault):
    """The board's firmware: an update brought a port back with a lower target rate, `generation`."""

    cause: str = "firmware-setting"
    generation: int = 3

    def tick(self, box: RunningBox) -> None:
        """It shows each day that it lasts."""
        if self.active(box) and box.now % DAY < SLOT_SECONDS:
            for life in filter(self.concerns, box.lives):
                self.note(box, life, episode=False)

    def booted(self, box: RunningBox) -> None:
        """It holds from the boot on that brought it."""
        if self.active(box):
            for life in filter(self.concerns, box.lives):
                life.port.target_generation = self.generation
                self.note(box, life)


def draw_manners(draw: random.Random, cause: str) -> tuple[Manner, ...]:
    """Draw how drives are lost by a cause: one or two ways in the same box."""
    silent = Manner(away_seconds=draw.uniform(3, 60))
    ways = {
        "signal-path": (
            silent,
            Manner(comes_back=Return.REPLUG, away_seconds=draw.uniform(2, 90)),
            Manner(comes_back=Return.REBOOT, away_seconds=draw.uniform(0.5, 40) * HOUR),
        ),
        "power-management": (
            silent,
            Manner(comes_back=Return.REBOOT, away_seconds=draw.uniform(0.5, 30) * HOUR, config_space_gone=False),
            Manner(comes_back=Return.POWER, away_seconds=draw.uniform(0.5, 30) * HOUR),
        ),
        "heat": (
            silent,
            Manner(silent=False, away_seconds=draw.uniform(5, 50)),
            Manner(comes_back=Return.REBOOT, away_seconds=draw.uniform(1, 20) * HOUR),
        ),
        "drive-failing": (
            Manner(silent=False, away_seconds=draw.uniform(5, 50)),
            Manner(silent=False, only_times_out=True),
            Manner(silent=False, comes_back=Return.POWER, away_seconds=draw.uniform(1, 20) * HOUR),
        ),
        "drive-firmware": (
            Manner(silent=False, away_seconds=draw.uniform(5, 50)),
            Manner(silent=False, only_times_out=True),
            silent,
        ),
        "shared-supply": (
            Manner(comes_back=Return.REPLUG, away_seconds=draw.uniform(2, 20), loses_power=True),
            Manner(comes_back=Return.RESET, away_seconds=draw.uniform(2, 20), loses_power=True),
        ),
    }[cause]
    return tuple(draw.sample(ways, draw.choice((1, 1, 2))))
