"""What happens to any box in its life and is no fault: restarts, updates, power cuts, swaps, bursts, gaps, clocks.

Each of these looks a little like a fault to somebody, which is why a healthy box has all of them.
"""

from dataclasses import dataclass

from simulation.hardware import Drive, Port, Presence
from simulation.kernel_words import HARMLESS, Line, Words
from simulation.loads import DAY
from simulation.running_box import Influence, Life, RunningBox

HOUR = 3600.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Customs:
    """How often what happens, by the year.

    Attributes:
        updates: Restarts for a new kernel.
        kernels: The kernels it passes through.
        cuts: Power cuts.
        bursts: Bursts of correctable errors on one link.
        gaps: Times that nothing was recorded, for hours or days.
        clock_steps: Times that the clock was wrong for a while.
        short_boots: Boots after which one link is short until the next.
        missing_boots: Boots after which one drive is missing until the next.
        swaps: Times that the owner swaps two drives.
        removals: Times that the owner takes a drive out in good order and puts it back.
        firmware_updates: Drive firmware updates.
        polled: Commands whose interrupt got lost.
        forgeries: Times that some program writes into the kernel's log what only the kernel should say.
        talkative: Share of drives that keep an entry for each command they do not know.
    """

    updates: float = 9.0
    kernels: tuple[tuple[int, int], ...] = ((6, 1),)
    cuts: float = 1.5
    bursts: float = 3.0
    gaps: float = 3.0
    clock_steps: float = 2.0
    short_boots: float = 0.5
    missing_boots: float = 0.3
    swaps: float = 0.5
    removals: float = 0.3
    firmware_updates: float = 0.5
    polled: float = 1.0
    forgeries: float = 0.5
    talkative: float = 0.5


@dataclass(slots=True)
class Upkeep(Influence):
    """Everyday life, as something that acts on the box."""

    customs: Customs
    until: float
    excused: list[tuple[str, float, float, str]]
    """Positions (by path) that truly were not as planned for a while: path, from, to, what."""
    _short: tuple[Port, str] | None = None
    _talkative: frozenset[str] = frozenset()

    def plan(self, box: RunningBox) -> None:
        """Put a whole life on the agenda."""
        customs = self.customs
        for per_year, act in (
            (customs.updates, self._update),
            (customs.cuts, self._cut),
            (customs.bursts, self._burst),
            (customs.gaps, self._gap),
            (customs.clock_steps, self._step_clock),
            (customs.short_boots, self._short_boot),
            (customs.missing_boots, self._missing_boot),
            (customs.swaps, self._swap),
            (customs.removals, self._take_out),
            (customs.firmware_updates, self._update_firmware),
            (customs.polled, self._poll),
            (customs.forgeries, self._forge),
            (50.0, self._chatter),
        ):
            if per_year:
                t = box.now
                while (t := t + box.draw.expovariate(per_year / (365 * DAY))) < self.until:
                    box.at(t, lambda act=act: act(box))
        drives = [life.drive for life in box.lives if life.drive]
        talkers = round(customs.talkative * len(drives))
        self._talkative = frozenset(drive.serial for drive in box.draw.sample(drives, talkers))

    def tick(self, box: RunningBox) -> None:
        """Programs ask talkative drives for what they do not know, a few times a day."""
        if box.draw.random() < 2 / 96:
            for life in box.lives:
                if life.drive and life.drive.serial in self._talkative and life.drive.presence is Presence.HERE:
                    box.refuse_commands(life.drive, box.draw.randint(1, 2))

    def booted(self, box: RunningBox) -> None:
        """A boot that came up short, where one is due."""
        if self._short is None:
            return
        (port, what), self._short = self._short, None
        back = box.now + box.draw.uniform(0.5, 60) * HOUR
        if port.drive is None:
            return
        if what == "missing":
            port.drive.presence = Presence.AWAY
        elif what == "narrow":
            port.forced_lanes = max(1, port.lanes // 2)
        else:
            port.forced_generation = 1
        self.excused.append((port.path, box.now, back + HOUR, what))
        box.at(back, lambda: box.shut_down(seconds=150, power_off=True))

    # What happens.

    def _update(self, box: RunningBox) -> None:
        if box.is_off:
            return
        kernels = self.customs.kernels
        here = kernels.index(box.words.version) if box.words.version in kernels else 0
        major, minor = kernels[min(here + (box.draw.random() < 0.3), len(kernels) - 1)]
        box.words = Words(version=(major, minor), by_address=box.words.by_address, logs_status=box.words.logs_status)
        box.box.kernel = f"{major}.{minor}.0-{box.draw.randint(20, 99)}-amd64"
        if box.draw.random() < 0.12:
            box.box.bios_version = f"1.{box.draw.randint(20, 60)}"
            box.box.bios_date = f"{box.draw.randint(1, 12):02d}/15/2026"
        box.shut_down(seconds=box.draw.uniform(60, 300), power_off=box.draw.random() < 0.2)

    def _cut(self, box: RunningBox) -> None:
        seconds = box.draw.uniform(60, 8 * HOUR)
        box.shut_down(seconds=seconds, cut=True)
        self.excused.append(("the box", box.now, box.now + seconds + 12 * HOUR, "a power cut"))

    def _burst(self, box: RunningBox) -> None:
        life = box.draw.choice(box.lives)
        number = round(box.draw.lognormvariate(3.0, 1.0))
        for _ in range(box.draw.randint(1, 4)):
            later = box.draw.uniform(0, 400)
            box.at(box.now + later, lambda: None if box.is_off else box.count_errors(life, max(1, number // 2)))

    def _gap(self, box: RunningBox) -> None:
        box.look_away(box.draw.choice((3, 8, 30, 96)) * HOUR * box.draw.uniform(0.5, 1.5))

    def _step_clock(self, box: RunningBox) -> None:
        box.clock_error = box.draw.choice((-3600.0, 3600.0, -40.0, 120.0, -7 * DAY, 2.0))
        box.frame()

        def mend() -> None:
            box.clock_error = 0.0
            box.frame()

        box.at(box.now + box.draw.uniform(0.1, 5) * HOUR, mend)

    def _short_boot(self, box: RunningBox) -> None:
        life = box.draw.choice(box.lives)
        self._short = life.port, box.draw.choice(("narrow", "slow")) if life.port.lanes > 1 else "slow"
        box.shut_down(seconds=120)

    def _missing_boot(self, box: RunningBox) -> None:
        self._short = box.draw.choice(box.lives).port, "missing"
        box.shut_down(seconds=120)

    def _swap(self, box: RunningBox) -> None:
        life = box.draw.choice(box.lives)
        if alike := [other for other in box.lives if other is not life and are_alike(other, life)]:
            swap_drives(box, life, box.draw.choice(alike))

    def _take_out(self, box: RunningBox) -> None:
        life = box.draw.choice(box.lives)
        drive = life.drive
        if box.is_off or drive is None or drive.presence is not Presence.HERE or drive.number is None:
            return
        controller, number = f"{drive.sysfs_path}/nvme/nvme{drive.number}", drive.number
        box.device_event("remove", f"{controller}/nvme{number}n1", "block")
        box.device_event("remove", controller, "nvme")
        box.device_event("remove", drive.sysfs_path, "pci")
        drive.presence, drive.number = Presence.AWAY, None
        back = box.now + box.draw.uniform(60, 4 * HOUR)
        self.excused.append((life.port.path, box.now, back + HOUR, "taken out"))
        box.changed()
        box.at(back, lambda: self._put_back(box, life, drive))

    def _put_back(self, box: RunningBox, life: Life, drive: Drive) -> None:
        if box.is_off or drive.presence is Presence.HERE:
            return
        drive.presence, drive.state = Presence.HERE, "live"
        drive.counters.clear()
        drive.stat = [0] * 11
        box.box.state()
        controller, number = f"{drive.sysfs_path}/nvme/nvme{drive.number}", drive.number or 0
        box.say(box.words.came_back(number, drive.address, fresh=True))
        box.device_event("add", drive.sysfs_path, "pci")
        box.device_event("add", controller, "nvme")
        box.changed()
        box.set_errors(life)

    def _update_firmware(self, box: RunningBox) -> None:
        model = box.draw.choice([life.drive.model for life in box.lives if life.drive])
        revision = box.draw.randint(20, 90)
        for life in box.lives:
            if life.drive and life.drive.model == model:
                life.drive.firmware = f"{life.drive.firmware[:2]}{revision}"
        box.shut_down(seconds=200)

    def _poll(self, box: RunningBox) -> None:
        life = box.draw.choice(box.lives)
        drive = life.drive
        if not box.is_off and drive and drive.number is not None and drive.presence is Presence.HERE:
            box.say(box.words.timed_out(drive.number, drive.address, queue=4, tag=210, action="completion polled"))

    def _forge(self, box: RunningBox) -> None:
        if not box.is_off:
            line = "nvme nvme0: controller is down; will reset: CSTS=0xffffffff, PCI_STATUS=0xffff"
            box.say([Line(line, level=12)])  # facility 1: written by a program

    def _chatter(self, box: RunningBox) -> None:
        if not box.is_off:
            box.say([Line(box.draw.choice(HARMLESS), 6)])


def are_alike(first: Life, second: Life) -> bool:
    """Whether two positions and their drives are of a kind, so that a swap changes nothing that was planned."""
    if first.drive is None or second.drive is None or first.drive.model != second.drive.model:
        return False
    return (first.port.generation, first.port.lanes) == (second.port.generation, second.port.lanes)


def swap_drives(box: RunningBox, first: Life, second: Life) -> None:
    """With the power off, swap the drives of two positions."""
    if box.is_off:
        return
    box.shut_down(seconds=1800, power_off=True)
    first.port.drive, second.port.drive = second.port.drive, first.port.drive
    first.temperature = second.temperature = 30.0
    first.minutes, second.minutes = second.minutes, first.minutes
