"""Faults of an odd shape: what must alarm for each, though it comes and goes, or looks like something else."""

from collections.abc import Sequence

from laneproof.evidence.fail_slow import FEWEST_SIBLINGS
from laneproof.findings import FindingChange
from simulation.hardware import Presence
from simulation.loads import DAY
from simulation.losing import Manner, Return, lose
from simulation.running_box import Life, RunningBox
from simulation.scoring import is_alarm
from simulation.strange.habits import FansRest
from simulation.strange.oddity import HOUR, add_sata, array_of, by_name, find_here, lay_files
from simulation.strange.troubles import MOST_ALARMS, Trouble
from simulation.views import Counting
from simulation.worlds import World


class OddFault(Trouble):
    """A fault that `rules` must alarm for, one of them, within `days` of its begin, and not too often."""

    rules: tuple[str, ...] = ()
    days: float = 5.0

    def complaints(self, world: World, changes: Sequence[FindingChange]) -> list[str]:  # noqa: ARG002 (of the whole box)
        """Whether it was said, in time and not too often."""
        alarms = [change for change in changes if is_alarm(change) and change.finding.rule in self.rules]
        if not alarms:
            return [f"no alarm of {' or '.join(self.rules)}"]
        late = (alarms[0].at - self.began_at) / DAY
        wrong = [f"{alarms[0].finding.rule} alarms after {late:.1f} days"] if late > self.days else []
        raised = sum(change.change == "raised" for change in alarms)
        return wrong + ([f"{raised} alarms of one fault"] if raised > 2 * MOST_ALARMS else [])


class PowerContact(OddFault):
    """A drive's supply breaks for a moment now and then: it is back before anybody asked, and counts it."""

    def prepare(self, box: RunningBox) -> None:
        self.rules, life = ("unsafe-shutdowns-rising", "drops-off-bus"), self.choose(box, box.now + 2 * DAY)

        def flicker(box: RunningBox) -> None:
            if (drive := find_here(box, life)) and box.now > self.began_at:
                drive.health.power_cycles += 1
                drive.health.unsafe_shutdowns += 1

        self.daily(box, box.draw.uniform(0, 20), flicker, every=box.draw.choice((1, 2)))


class SpareSinks(OddFault):
    """A drive's spare goes by six per cent a day, with no error and no warning of its own."""

    def prepare(self, box: RunningBox) -> None:
        self.rules, self.days, life = ("spare-low",), 8.0, self.choose(box, box.now + DAY)

        def sink(_: RunningBox) -> None:
            if life.drive is not None:
                life.drive.health.spare_percent = max(0, life.drive.health.spare_percent - 6)

        self.daily(box, 6.0, sink)


class MemberKicked(OddFault):
    """An array loses a member each night and gets it back in the morning: one alarm that stands, not one a night."""

    def prepare(self, box: RunningBox) -> None:
        self.rules, self.began_at = ("array-degraded",), box.now + DAY
        array, folder = array_of(box, "raid5", 3, size_bytes=8_000_000_000_000)

        def kick(box: RunningBox) -> None:
            name = next(iter(array.names.values()), None)
            if box.is_off or name is None:
                return
            lay_files(box, folder, (("degraded", "1"), (f"dev-{name}/state", "faulty")))
            box.changed()
            box.at(box.now + 6 * HOUR, lambda: back(name))

        def back(name: str) -> None:
            lay_files(box, folder, (("degraded", "0"), (f"dev-{name}/state", "in_sync")))
            box.changed()

        self.daily(box, 1.0, kick)


class HotAfternoons(OddFault):
    """A drive drops only when it is hot: on afternoons of load, and is back after a reset."""

    def prepare(self, box: RunningBox) -> None:
        self.rules, life = ("drops-off-bus", "controller-resets"), self.choose(box, box.now + 2 * DAY)

        def drop(box: RunningBox) -> None:
            if box.now > self.began_at:
                lose(box, life, Manner(comes_back=Return.RESET, away_seconds=40.0))

        self.daily(box, 15.0, drop, every=2)

    def warmth(self, box: RunningBox, life: Life) -> float:
        return 55.0 if life is self.life and 12 <= (box.now % DAY) / HOUR < 18 else 0.0


class LanesLostAtBoots(OddFault):
    """A link trains with half its lanes at some boots, and well at the others."""

    def prepare(self, box: RunningBox) -> None:
        self.rules = ("link-degraded-on-some-boots", "link-narrow")
        self.days = 8.0
        self.choose(box, box.now + DAY)
        self.daily(box, 3.0, lambda box: box.shut_down(seconds=60))

    def booted(self, box: RunningBox) -> None:
        """One in three."""
        life = self.life
        if life.drive is not None and box.now > self.began_at:
            whole = min(life.port.lanes, life.drive.lanes)
            life.port.forced_lanes = max(1, whole // 2) if box.draw.random() < 0.4 and whole > 1 else None


class FanDies(OddFault):
    """A fan that always turned stands still for good, beside two that rest."""

    _fans: FansRest

    def prepare(self, box: RunningBox) -> None:
        """One that never rested."""
        self.rules, self.days, self.began_at = ("fan-stopped",), 2.0, box.now + 3 * DAY
        fans = self._fans = FansRest(self.until, self.excused)
        fans.prepare(box)

        def die() -> None:
            lay_files(box, fans.folder, (("fan1_input", "0"),))
            box.changed()

        box.at(self.began_at, die)

    def tick(self, box: RunningBox) -> None:
        """The others rest and turn."""
        self._fans.tick(box)


class PendingComeAndGo(OddFault):
    """A SATA disk's pending sectors rise and fall to none again, each few days to more, and none is reallocated."""

    def prepare(self, box: RunningBox) -> None:
        self.rules, self.began_at = ("sectors-failing",), box.now + 2 * DAY
        disk = add_sata(box, 2)[0]
        number = 0

        def turn(box: RunningBox) -> None:
            nonlocal number
            number += 1
            if box.now < self.began_at:
                return
            pending = 8 * number if number % 2 else 0
            box.box.smartctl[disk.name] = disk.report({197: pending, 198: pending})
            box.changed()

        self.daily(box, 9.0, turn)


class SlowInItself(OddFault):
    """A drive that takes five times as long as its siblings for the same work, and is busy for it."""

    def prepare(self, box: RunningBox) -> None:
        self.rules, self.days, life = ("drive-fail-slow",), 7.0, self.choose(box, box.now + 3 * DAY)
        for each in box.lives:
            each.share = 1.0  # all have the same work

        def begin() -> None:
            life.read_ms, life.write_ms = 1.5, 0.6

        box.at(self.began_at, begin)

    def complaints(self, world: World, changes: Sequence[FindingChange]) -> list[str]:
        """With fewer than three siblings nothing is compared."""
        drives = sum(life.drive is not None for life in world.running.lives)
        return [] if drives <= FEWEST_SIBLINGS else super().complaints(world, changes)

    def tick(self, box: RunningBox) -> None:
        """It is busy for as long as its requests take."""
        drive = self.life.drive
        if drive is not None and drive.presence is Presence.HERE and box.now > self.began_at:
            drive.stat[9] = max(drive.stat[9], (drive.stat[3] + drive.stat[7]))


class WarningFlickers(OddFault):
    """A drive warns that it is not reliable any more, for an hour or two a day, and takes it back."""

    def prepare(self, box: RunningBox) -> None:
        """From some day on. NVM Express Base Specification 2.0, Critical Warning, bit 2."""
        self.rules, self.days, life = ("critical-warning",), 3.0, self.choose(box, box.now + 2 * DAY)

        def warn(box: RunningBox) -> None:
            if life.drive is not None and box.now > self.began_at:
                life.drive.health.critical_warning |= 4
                box.at(box.now + 3 * HOUR, calm)

        def calm() -> None:
            if life.drive is not None:
                life.drive.health.critical_warning &= ~4

        self.daily(box, box.draw.uniform(0, 20), warn)


class ErrorsByNight(OddFault):
    """A cable beside a heater that runs at night: its link makes errors for some hours a night, and none by day."""

    def prepare(self, box: RunningBox) -> None:
        self.rules, self.days = ("signal-errors",), 7.0
        self.choose(box, box.now + 2 * DAY)

    def complaints(self, world: World, changes: Sequence[FindingChange]) -> list[str]:
        """What nobody counts, nobody sees."""
        unseen = world.view.counting is Counting.NONE
        return [] if unseen else super().complaints(world, changes)

    def error_rate(self, box: RunningBox, life: Life) -> float:
        by_night = (box.now % DAY) / HOUR < 6
        return 20.0 if life is self.life and by_night and box.now > self.began_at else 0.0


TROUBLES = by_name(
    PowerContact, SpareSinks, MemberKicked, HotAfternoons, LanesLostAtBoots, FanDies, PendingComeAndGo, SlowInItself,
    WarningFlickers, ErrorsByNight,
)  # fmt: skip
