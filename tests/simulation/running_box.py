"""A simulated box that runs: its clock, its drives' counters, its kernel's log, and what happens to it by and by.

Time goes on from one thing on the agenda to the next. Between two things each drive has one load, each link one error
rate; what adds up in between (bytes, errors, minutes of heat) is added up exactly. `run` gives the lines of the
recording as they come about.
"""

import heapq
import itertools
import math
import random
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field

from simulation.box import SimulatedBox
from simulation.frames import FrameWriter, apply_counting
from simulation.hardware import Drive, Port, Presence
from simulation.kernel_words import HARMLESS, KernelLog, Line, Words
from simulation.loads import FULL_MB_S, SLOT_SECONDS, Climate, Loads
from simulation.views import View

WARM_UP_SECONDS = 1200.0
_SECTOR = 512
_UNIT = 512_000
_NAMES_AT_DRIVE = (("RxErr", 0.6), ("BadTLP", 0.3), ("BadDLLP", 0.1))
_NAMES_AT_PORT = (("RxErr", 0.35), ("BadTLP", 0.15), ("BadDLLP", 0.1), ("Timeout", 0.3), ("Rollover", 0.1))
_MOST_LOGGED = 2  # error reports that reach the log between two steps: the kernel limits their rate


class Influence:
    """Something that acts on the box: a fault, or a habit of its owner. Most do little of what any may do."""

    __slots__ = ()

    def tick(self, box: "RunningBox") -> None:
        """A quarter of an hour begins: put on the agenda what will happen in it."""

    def error_rate(self, box: "RunningBox", life: "Life") -> float:  # noqa: ARG002 (most add none)
        """Give the errors per hour that it adds to a drive's link at the present load."""
        return 0.0

    def warmth(self, box: "RunningBox", life: "Life") -> float:  # noqa: ARG002 (most add none)
        """Give the degrees that it adds to a drive's temperature."""
        return 0.0

    def booted(self, box: "RunningBox") -> None:
        """The machine starts: say what has not come up."""


@dataclass(slots=True, kw_only=True)
class Life:
    """One port and the drive in it, while the box runs."""

    port: Port
    share: float = 1.0  # of the box's load
    base_errors_an_hour: float = 0.01
    warmer_celsius: float = 0.0
    load: float = 0.0
    errors_a_second: float = 0.0
    idle_since: float | None = None
    rested_seconds: float = 0.0  # how long it had been idle, where this quarter's load ended its rest
    temperature: float = 30.0
    target: float = 30.0
    warmth: float = 0.0
    minutes: dict[str, float] = field(default_factory=dict)
    request_bytes: int = 131_072
    read_ms: float = 0.3
    write_ms: float = 0.1

    @property
    def drive(self) -> Drive | None:
        """The drive in the port, None where there is none."""
        return self.port.drive


class RunningBox:
    """A box, its time, and its recording."""

    def __init__(self, box: SimulatedBox, *, view: View, loads: Loads, climate: Climate, start: float) -> None:
        """Stand before the first boot.

        Args:
            box: The machine.
            view: How it is looked at.
            loads: What it is busy with.
            climate: Its room.
            start: Unix seconds at which it is first started.
        """
        self.box, self.view, self.loads, self.climate = box, view, loads, climate
        self.now = start
        self.draw = random.Random(loads.seed * 7919 + 11)
        self.words: Words = view.words
        self.log = KernelLog()
        self.uevents: list[dict[str, str]] = []
        self.influences: list[Influence] = []
        self.lives = [Life(port=port) for port in box.walk_ports() if port.switch is None]
        self.clock_error = 0.0
        self.booted_at = start
        self.slept = 0.0
        """Seconds of this boot for which the machine was suspended."""
        self.is_off = False
        self.sleeping = False
        """Idle drives are suspended."""
        self.watch_starts: list[float] = []
        """When the program that watches is started again."""
        self.stops: dict[str, bool] = {}
        """By boot, whether the machine was shut down before it, so that whoever watches was stopped."""
        self.stays_away: set[str] = set()
        """Serial numbers of drives that a plain restart does not bring back."""
        self._is_changed = True
        self._blind_until = 0.0
        self._agenda: list[tuple[float, int, Callable[[], None]]] = []
        self._order = itertools.count()
        self._lines: list[str] = []
        self._device_sequence = 1500
        self._deadlines: dict[str, float] = {}
        apply_counting(box, view.counting)
        box.thermometers = view.thermometers
        self._writer = FrameWriter(box, view)

    # --- time -------------------------------------------------------------------------------------------------------

    @property
    def up(self) -> float:
        """Seconds since boot."""
        return self.now - self.booted_at

    def at(self, t: float, action: Callable[[], object]) -> None:
        """Put something on the agenda."""
        heapq.heappush(self._agenda, (max(t, self.now), next(self._order), action))

    def when_on(self, t: float, action: Callable[[], object]) -> None:
        """Put on the agenda what needs a machine that runs: while it is off, it is tried again each hour."""

        def act() -> None:
            if self.is_off:
                self.at(self.now + 3600.0, act)
            else:
                action()

        self.at(t, act)

    def run(self, until: float) -> Iterator[str]:
        """Let the box run, and give the recording's lines: the header, then a line a frame."""
        yield self._writer.header()
        self._tick()
        self.start_up()
        while self._agenda and self._agenda[0][0] <= until:
            t, _, action = heapq.heappop(self._agenda)
            self._advance(t)
            action()
            yield from self.take_lines()

    def take_lines(self) -> list[str]:
        """Give the lines written and not given yet."""
        lines, self._lines = self._lines, []
        return lines

    def _tick(self) -> None:
        """Begin a quarter of an hour."""
        self.at(self.now - self.now % SLOT_SECONDS + SLOT_SECONDS, self._tick)
        if self.is_off:
            return
        room = self.climate.at(self.now)
        for life in self.lives:
            self._set_load(life)
            life.warmth = sum(influence.warmth(self, life) for influence in self.influences)
            heat = 12.0 * min(1.2, life.load / FULL_MB_S)
            life.target = room + 11.0 + life.warmer_celsius + heat + life.warmth
        for influence in self.influences:
            influence.tick(self)
        for life in self.lives:
            self.set_errors(life)

    def _set_load(self, life: Life) -> None:
        here = life.drive is not None and life.drive.presence is Presence.HERE
        load = self.loads.at(self.now, life.share) if here else 0.0
        life.rested_seconds = 0.0
        if load > 0:
            life.load = load
            if life.idle_since is not None:
                life.rested_seconds, life.idle_since = self.now - life.idle_since, None
        else:
            if life.load > 0 or life.idle_since is None:
                life.idle_since = self.now
            life.load = 0.0
        if life.drive is not None:
            life.drive.sleeps = (self.view.sleeping or self.sleeping) and here and load == 0

    def set_errors(self, life: Life) -> None:
        """Work out a link's error rate again: few errors without traffic, for idle symbols are carried too."""
        carried = 0.15 + 0.85 * min(1.0, life.load / (0.3 * FULL_MB_S))
        added = sum(influence.error_rate(self, life) for influence in self.influences)
        life.errors_a_second = (life.base_errors_an_hour * carried + added) / 3600.0

    # --- what adds up -----------------------------------------------------------------------------------------------

    def _advance(self, t: float) -> None:
        seconds, self.now = t - self.now, t
        if self.is_off or seconds <= 0:
            return
        follow = 1.0 - math.exp(-seconds / WARM_UP_SECONDS)
        for life in self.lives:
            drive = life.drive
            if drive is not None and drive.presence is Presence.HERE:
                self._work(life, drive, seconds, follow)

    def _work(self, life: Life, drive: Drive, seconds: float, follow: float) -> None:
        health = drive.health
        life.temperature += (life.target - life.temperature) * follow
        health.temperature_celsius = life.temperature
        minutes = life.minutes
        minutes["on"] = minutes.get("on", 0.0) + seconds / 60
        if life.temperature >= drive.warning_celsius:
            minutes["warning"] = minutes.get("warning", health.warning_minutes) + seconds / 60
            health.warning_minutes = int(minutes["warning"])
            minutes["throttled"] = minutes.get("throttled", health.thermal_seconds_1) + seconds
            health.thermal_seconds_1 = int(minutes["throttled"])
            if life.temperature >= drive.critical_celsius:
                minutes["critical"] = minutes.get("critical", health.critical_minutes) + seconds / 60
                health.critical_minutes = int(minutes["critical"])
            if not health.critical_warning & 2:
                health.critical_warning |= 2
                health.thermal_transitions_1 += 1
        else:
            health.critical_warning &= ~2
        if minutes["on"] >= 60:
            hours = int(minutes["on"] // 60)
            health.power_on_hours += hours
            minutes["on"] -= 60 * hours
        if life.load > 0:
            self._carry(life, drive, seconds)
        if life.errors_a_second > 0:
            self._add_up_errors(life, seconds)

    def _carry(self, life: Life, drive: Drive, seconds: float) -> None:
        moved = life.load * 1_000_000 * seconds
        reads = max(1, round(0.7 * moved / life.request_bytes))
        writes = max(1, round(0.3 * moved / life.request_bytes))
        stat, health = drive.stat, drive.health
        busy = min(1.0, life.load / (2 * FULL_MB_S)) * seconds * 1000
        stat[0] += reads
        stat[2] += round(0.7 * moved / _SECTOR)
        stat[3] += round(reads * life.read_ms)
        stat[4] += writes
        stat[6] += round(0.3 * moved / _SECTOR)
        stat[7] += round(writes * life.write_ms)
        stat[9] += round(busy)
        stat[10] += round(busy * 1.4)
        health.data_units_read += round(0.7 * moved / _UNIT)
        health.data_units_written += round(0.3 * moved / _UNIT)
        health.host_reads += reads
        health.host_writes += writes
        life.minutes["busy"] = life.minutes.get("busy", 0.0) + busy / 60_000
        if life.minutes["busy"] >= 1:
            health.busy_minutes += int(life.minutes["busy"])
            life.minutes["busy"] %= 1

    def _add_up_errors(self, life: Life, seconds: float) -> None:
        """Count errors when their summed-up rate passes the next mark: exact for a rate that changes."""
        expected = life.errors_a_second * seconds
        if expected > 200:
            return self.count_errors(life, max(0, round(self.draw.gauss(expected, math.sqrt(expected)))))
        path = life.port.path
        left = self._deadlines.get(path)
        if left is None:
            left = self.draw.expovariate(1.0)
        number = 0
        while expected >= left:
            expected -= left
            left = self.draw.expovariate(1.0)
            number += 1
        self._deadlines[path] = left - expected
        return self.count_errors(life, number) if number else None

    def count_errors(self, life: Life, number: int) -> None:
        """Count errors at both ends of a link, and let the kernel report a few."""
        drive, at_drive = life.drive, 0.6  # the share that the drive's end receives
        if drive is None or not number:
            return
        below = round(number * at_drive) if number > 20 else sum(self.draw.random() < at_drive for _ in range(number))
        last = None
        for side, names, count in ((drive, _NAMES_AT_DRIVE, below), (life.port, _NAMES_AT_PORT, number - below)):
            for name, each in self._share_out(names, count):
                side.counters[name] = side.counters.get(name, 0) + each
                last = side, name
        if self.view.error_lines and last is not None:
            self._tell_errors(life, drive, last, number)

    def _share_out(self, names: tuple[tuple[str, float], ...], count: int) -> list[tuple[str, int]]:
        if count > 20:
            return [(name, round(share * count)) for name, share in names]
        words, shares = zip(*names, strict=True)
        return [(name, 1) for name in self.draw.choices(words, shares, k=count)]

    def _tell_errors(self, life: Life, drive: Drive, last: tuple[Drive | Port, str], number: int) -> None:
        side, name = last
        if not side.has_aer:
            return
        at_port = side is life.port
        source = life.port.address if at_port else drive.address
        ids = "fff3:1004" if at_port else f"{drive.vendor:04x}:{drive.device:04x}"
        for _ in range(min(_MOST_LOGGED, number)):
            lines = self.words.corrected(
                port=life.port.address, source=source, driver="pcieport" if at_port else "nvme", name=name, ids=ids,
                many=number > 5,
            )  # fmt: skip
            self.log.write(lines, up=self.up)

    def refuse_commands(self, drive: Drive, number: int) -> None:
        """A program asks a drive for what it does not support: its error log fills, and nothing is wrong."""
        drive.health.error_log_entries += number

    # --- frames -----------------------------------------------------------------------------------------------------

    def begin_frames(self, first: float) -> None:
        """Take a frame at the view's own pace, from a time on."""

        def take() -> None:
            if not self.is_off and self.draw.random() >= self.view.missing_share:
                self.frame()
            self.at(self.now + self.view.spacing_seconds * self.draw.uniform(0.98, 1.02), take)

        self.at(first, take)

    def frame(self) -> None:
        """Take one frame now."""
        if self.is_off or self.now < self._blind_until:
            return
        line = self._writer.frame(
            t=self.now + self.clock_error, up=self.up, is_changed=self._is_changed, slept=self.slept,
            kmsg=self.log.take(), uevents=tuple(self.uevents),
        )  # fmt: skip
        self._is_changed = False
        self.uevents.clear()
        self._lines.append(line)

    def look_away(self, seconds: float) -> None:
        """Record nothing for a while; what the kernel says and sends meanwhile is lost half of the time."""
        self._blind_until = self.now + seconds

        def look_again() -> None:
            if self.draw.random() < 0.5:
                self.log.take()
                self.uevents.clear()

        self.at(self._blind_until, look_again)

    def changed(self) -> None:
        """Note that more than counters changed, for the next frame."""
        self._is_changed = True

    def say(self, lines: list[Line], *, later: float = 0.0) -> None:
        """Let the kernel write lines."""
        self.log.write(lines, up=self.up - self.slept + later)  # the kernel's stamps stop in suspend

    def say_slot(self, port: Port, *words: str, later: float = 0.0) -> None:
        """Let the hot-plug driver report a slot."""
        self.say(self.words.slot(port.address, port.slot_number, *words), later=later)

    def device_event(self, action: str, sysfs_path: str, subsystem: str, **more: str) -> None:
        """Let the kernel send a device event."""
        self._device_sequence += 1
        event = {"action": action, "devpath": sysfs_path.removeprefix("/sys"), "subsystem": subsystem}
        self.uevents.append(event | {"seqnum": str(self._device_sequence)} | more)

    # --- starting and stopping --------------------------------------------------------------------------------------

    def start_up(self) -> None:
        """The machine starts now."""
        self.is_off = False
        self.booted_at, self.slept = self.now, 0.0
        self.log.reboot()
        self.uevents.clear()
        for life in self.lives:
            if life.drive is not None:
                stays = life.drive.serial in self.stays_away
                life.drive.presence = Presence.AWAY if stays else Presence.HERE
                life.drive.state = "live"
            life.port.forced_generation = life.port.forced_lanes = None
            life.idle_since = None
        for influence in self.influences:
            influence.booted(self)
        self.box.state()  # controllers and buses get their numbers
        self.changed()
        self.say([Line(text, 6) for text in self.draw.sample(HARMLESS, 5)], later=2.0)
        self.at(self.now + self.draw.uniform(60, 180), self.frame)

    def shut_down(self, *, seconds: float, power_off: bool = False, cut: bool = False, reset: bool = False) -> None:
        """The machine stops, and starts again after a while.

        Args:
            seconds: How long it is off.
            power_off: The drives lose their power, after a shutdown in good order.
            cut: They lose it without.
            reset: They keep it, and the machine stops without having been shut down.
        """
        if self.is_off:
            return
        self.is_off = True
        for life in self.lives:
            if life.drive is not None:
                life.drive.health.power_cycles += int(power_off or cut)
                life.drive.health.unsafe_shutdowns += int(cut and life.drive.presence is not Presence.AWAY)
        self.box.reboot()
        self.stops[self.box.boot_id] = not (cut or reset)
        self.at(self.now + seconds, self.start_up)

    def suspend(self, seconds: float) -> None:
        """The machine sleeps: its clock since boot goes on, the kernel's stamps and all work stand still."""
        if self.is_off:
            return
        self.frame()
        self.say([Line("PM: suspend entry (deep)", 6)])
        self.is_off = True

        def resume() -> None:
            self.is_off = False
            self.slept += seconds
            self.say([Line("ACPI: PM: Waking up from system sleep state S3", 6), Line("PM: suspend exit", 6)])
            self.changed()
            self.at(self.now + self.draw.uniform(5, 40), self.frame)

        self.at(self.now + seconds, resume)

    def show(self, view: View) -> None:
        """Be looked at in another way from now on."""
        self.view = view
        self._writer.look_by(view)
        self.changed()

    def watch_again(self) -> None:
        """The program that watches starts again: it gets once more what the kernel's log still holds."""
        self.watch_starts.append(self.now)
        self.log.records = [*self.log.kept]
