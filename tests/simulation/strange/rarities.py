"""Rare and sound: what a box may show once in years, or every night by an odd habit; and rare faults."""

from collections.abc import Sequence
from dataclasses import replace

from laneproof.findings import FindingChange
from simulation.hardware import Port, Presence
from simulation.kernel_words import ERROR, INFORMATION, Line
from simulation.loads import DAY
from simulation.running_box import Life, RunningBox
from simulation.scoring import is_alarm
from simulation.strange.odd_faults import OddFault
from simulation.strange.oddity import HOUR, Oddity, array_of, by_name, clear_below, find_here, lay_files, some_life
from simulation.strange.owners import bring_back, let_go, take_off_bus
from simulation.views import Counting
from simulation.worlds import World

# --- sound ------------------------------------------------------------------------------------------------------------


class PulledInOneFrame(Oddity):
    """A removal asked for and the pull lie in one frame; the log says when the function left its IOMMU group.

    Source: drivers/pci/hotplug/pciehp_ctrl.c; drivers/iommu/iommu.c (from memory).
    """

    def prepare(self, box: RunningBox) -> None:
        for life in box.lives:
            life.port.hot_plug = True
        for _ in range(box.draw.randint(1, 3)):
            box.at(box.draw.uniform(box.now + DAY, self.until - DAY), lambda: self._pull(box, some_life(box)))

    def _pull(self, box: RunningBox, life: Life) -> None:
        if (drive := find_here(box, life)) is None:
            return
        box.say([Line(f"pci {drive.address}: Removing from iommu group 14", INFORMATION, drive.address)])
        box.say_slot(life.port, "Link Down", "Card not present", later=9.0)
        name = f"nvme{drive.number}"
        box.device_event("remove", f"{drive.sysfs_path}/nvme/{name}", "nvme", devname=name)
        box.device_event("remove", drive.sysfs_path, "pci")
        drive.number, drive.presence, life.load = None, Presence.AWAY, 0.0
        box.changed()
        back = box.now + box.draw.uniform(10, 30) * HOUR
        self.excused.append((life.port.path, box.now, back + HOUR, "pulled by hand"))

        def plug() -> None:
            if not box.is_off and drive.presence is Presence.AWAY:
                box.say_slot(life.port, "Card present", "Link Up")
                bring_back(box, drive, unplugged=True)

        box.at(back, plug)


class LogRefusedUnderLoad(Oddity):
    """A drive that refuses its health log now and then while it is busy, with an internal error.

    Source: NVM Express Base Specification 2.0, status 06h (generic).
    """

    def prepare(self, box: RunningBox) -> None:
        life = some_life(box)
        self.often(box, 365 * box.draw.choice((1, 4)), lambda box: self._refuse(box, life))

    def _refuse(self, box: RunningBox, life: Life) -> None:
        if drive := find_here(box, life):
            drive.refuses_health = 0x06
            box.frame()
            drive.refuses_health = None


class CheckInParts(Oddity):
    """A check of an array that goes on for three hours a night and rests by day, until it is through.

    Source: Documentation/admin-guide/md.rst, sync_min and sync_completed.
    """

    _share: float = 0.0

    def prepare(self, box: RunningBox) -> None:
        """Each night a part; a quarter of the array."""
        _, folder = array_of(box, "raid5", 3)
        whole = 4_000_000_000

        def begin(box: RunningBox) -> None:
            if not box.is_off:
                done = round(self._share * whole)
                lay_files(box, folder, (("sync_action", "check"), ("sync_completed", f"{done} / {whole}")))
                box.changed()
                box.at(box.now + 3 * HOUR, rest)

        def rest() -> None:
            self._share = (self._share + 0.25) % 1.0
            lay_files(box, folder, (("sync_action", "idle"), ("sync_completed", "none")))
            box.changed()

        self.daily(box, 1.0, begin)


class WordsOfMembers(Oddity):
    """An array with words of its own: a member that is written mostly, a journal, bad blocks kept outside, a spare.

    Source: Documentation/admin-guide/md.rst, dev-*/state.
    """

    def prepare(self, box: RunningBox) -> None:
        array, folder = array_of(box, "raid1", 2)
        box.box.state()  # gives the disks their names

        def write() -> None:
            words = ("in_sync,write_mostly", "in_sync,external_bbl")
            lay_files(box, folder, ((f"dev-{name}/state", word) for name, word in
                                    zip(array.names.values(), words, strict=False)))  # fmt: skip
            lay_files(box, f"{folder}/dev-sdq", (("state", "spare"), ("slot", "none"), ("errors", "0")))
            lay_files(box, f"{folder}/dev-sdr", (("state", "journal"), ("slot", "journal"), ("errors", "0")))
            box.changed()

        box.at(box.now + 250, write)


class ReplacedInPlace(Oddity):
    """The owner lets md copy a member to a new one while both are in the array: it is never degraded.

    Source: Documentation/admin-guide/md.rst, want_replacement and replacement.
    """

    def prepare(self, box: RunningBox) -> None:
        array, folder = array_of(box, "raid5", 3)

        def begin() -> None:
            name = next(iter(array.names.values()), "nvme0n1")
            lay_files(box, folder, ((f"dev-{name}/state", "in_sync,want_replacement"), ("sync_action", "recover"),
                                    ("sync_completed", "1000000 / 4000000000"), ("sync_speed", "90000")))  # fmt: skip
            lay_files(box, f"{folder}/dev-sdq", (("state", "spare,replacement"), ("slot", "0"), ("errors", "0")))
            box.changed()
            box.at(box.now + 12 * HOUR, lambda: end(name))

        def end(name: str) -> None:
            clear_below(box, f"{folder}/dev-sdq")
            lay_files(box, folder, ((f"dev-{name}/state", "in_sync"), ("sync_action", "idle"),
                                    ("sync_completed", "none"), ("sync_speed", "none")))  # fmt: skip
            box.changed()

        box.at(box.draw.uniform(box.now + 2 * DAY, self.until - 2 * DAY), begin)


class GhostInAnEmptySlot(Oddity):
    """An empty slot whose presence contact touches now and then: a card is present, no link trains, it is gone.

    Source: drivers/pci/hotplug/pciehp_ctrl.c, pciehp_hpc.c: the messages.
    """

    def prepare(self, box: RunningBox) -> None:
        port = Port(hop="06.1", slot_number=61, path="0000:00/06.1", hot_plug=True)
        box.box.ports.append(port)

        def touch(box: RunningBox) -> None:
            if not box.is_off and port.sysfs_path:
                box.say_slot(port, "Card present")
                box.say_slot(port, "No link", "Card not present", later=1.2)

        self.often(box, 200, touch)


class FormattedAnew(Oddity):
    """The owner deletes a drive's namespace and makes a smaller one: for a while the drive has no disk at all.

    Source: NVM Express Base Specification 2.0, Namespace Management.
    """

    def prepare(self, box: RunningBox) -> None:
        life = some_life(box)

        def remake() -> None:
            if drive := find_here(box, life):
                drive.capacity_bytes = round(drive.capacity_bytes * 0.8)
                self.excused.append((life.port.path, box.now, self.until, "made smaller"))
                box.changed()

        box.at(box.draw.uniform(box.now + 2 * DAY, self.until - 2 * DAY), remake)


class ClockDrifts(Oddity):
    """A clock that gains two minutes a day and is set right once a week, by a script and not by a daemon."""

    def prepare(self, box: RunningBox) -> None:
        self.daily(box, 4.0, self._set, every=7)

    def _set(self, box: RunningBox) -> None:
        box.clock_error = 0.0

    def tick(self, box: RunningBox) -> None:
        """A little more."""
        box.clock_error += 1.3


class RescueBoot(Oddity):
    """The owner starts a rescue system from a stick for an hour: another name, another kernel, no array assembled."""

    def prepare(self, box: RunningBox) -> None:
        array, _ = array_of(box, "raid5", 3)
        usual = box.box.name, box.box.kernel

        def rescue() -> None:
            if box.is_off:
                return
            box.box.arrays.remove(array)
            box.box.name, box.box.kernel = "rescue", "6.12.9-rescue"
            box.shut_down(seconds=90)
            box.when_on(box.now + 1.5 * HOUR, back)

        def back() -> None:
            box.box.arrays.append(array)
            box.box.name, box.box.kernel = usual
            box.shut_down(seconds=90)

        for day in box.draw.sample(range(2, 8), box.draw.choice((1, 2))):
            box.at(box.now + day * DAY, rescue)


# --- at fault ---------------------------------------------------------------------------------------------------------


class LeavesWithoutALog(OddFault):
    """Nobody may read the kernel's log, and a drive leaves the bus every other day and comes back."""

    def prepare(self, box: RunningBox) -> None:
        """From some day on; a third time within a week."""
        self.rules, self.days = ("drops-off-bus",), 7.0
        life = self.choose(box, box.now + DAY)
        box.show(replace(box.view, kernel_log=False))

        def leave(box: RunningBox) -> None:
            if (drive := find_here(box, life)) is None or box.now < self.began_at:
                return
            take_off_bus(box, life, drive)
            drive.health.unsafe_shutdowns += 1
            self.excused.append((life.port.path, box.now, box.now + 8 * HOUR, "left"))
            box.at(box.now + 7 * HOUR, lambda: bring_back(box, drive, unplugged=True) if not box.is_off else None)

        self.daily(box, 10.0, leave, every=2)


class SecondMemberLost(OddFault):
    """A member is kicked each night and comes back; one night a second one goes too: that is worse."""

    _second_at: float

    def prepare(self, box: RunningBox) -> None:
        self.rules, self.began_at, self._second_at = ("array-degraded",), box.now + DAY, box.now + 7 * DAY
        array, folder = array_of(box, "raid6", 4)

        def kick(box: RunningBox) -> None:
            names = [*array.names.values()]
            lost = names[: 2 if box.now >= self._second_at else 1]
            if box.is_off or not lost:
                return
            lay_files(box, folder, (("degraded", str(len(lost))), *((f"dev-{name}/state", "faulty") for name in lost)))
            box.changed()
            if len(lost) == 1:
                box.at(box.now + 6 * HOUR, lambda: back(lost[0]))

        def back(name: str) -> None:
            if box.now < self._second_at:
                lay_files(box, folder, (("degraded", "0"), (f"dev-{name}/state", "in_sync")))
                box.changed()

        self.daily(box, 1.0, kick)

    def complaints(self, world: World, changes: Sequence[FindingChange]) -> list[str]:
        """Few alarms, and the second loss is critical within the day."""
        few = sum(life.drive is not None for life in world.running.lives) < 4
        wrong = super().complaints(world, changes)
        worst = [change.at for change in changes if change.finding.rule == "array-degraded"
                 and change.finding.severity == "critical" and is_alarm(change)]  # fmt: skip
        late = not any(self._second_at <= at <= self._second_at + DAY for at in worst)
        return wrong + (["the second member is not said to be critical"] if late and not few else [])


class GoneAfterARestart(OddFault):
    """A drive does not come up after a restart, and never again."""

    def prepare(self, box: RunningBox) -> None:
        self.rules, self.days = ("position-empty", "drops-off-bus", "link-degraded-on-some-boots"), 2.0
        life = self.choose(box, box.now + 3 * DAY)

        def restart() -> None:
            if life.drive is not None:
                box.stays_away.add(life.drive.serial)
            box.shut_down(seconds=90)

        self.excused.append((life.port.path, self.began_at, self.until, "gone"))
        box.at(self.began_at, restart)

    def complaints(self, world: World, changes: Sequence[FindingChange]) -> list[str]:
        """Where nothing is declared, nobody knows whether it was taken out while the machine was off."""
        return super().complaints(world, changes) if world.build else []


class GoesWhileNobodyWatches(OddFault):
    """A drive dies while the watch is off for two days: when it goes on, the drive is missing, and no line says why."""

    _is_seen: bool = False

    def prepare(self, box: RunningBox) -> None:
        self.rules, self.days = ("position-empty", "drops-off-bus"), 3.0
        life = self.choose(box, box.now + 3 * DAY)

        def die() -> None:
            if (drive := find_here(box, life)) is None:
                return
            box.look_away(2 * DAY)
            box.say([Line(f"nvme nvme{drive.number}: Disabling device after reset failure: -19", ERROR)])
            let_go(box, life, drive)
            drive.presence = Presence.DEAD
            box.at(box.now + 2 * DAY + HOUR, look)

        def look() -> None:
            self._is_seen = life.drive is not None and life.drive.presence is Presence.DEAD

        self.excused.append((life.port.path, self.began_at, self.until, "died"))
        box.at(self.began_at, die)

    def complaints(self, world: World, changes: Sequence[FindingChange]) -> list[str]:
        """A restart in the meantime may have brought it back before anybody looked."""
        return super().complaints(world, changes) if self._is_seen else []


class DustGathers(OddFault):
    """Dust in the way of the air: a drive is warmer by a degree a day, until it is beyond its own threshold."""

    def prepare(self, box: RunningBox) -> None:
        self.rules, self.days = ("overheating", "critical-warning", "throttled"), 60.0
        self.choose(box, box.now + DAY)

    def warmth(self, box: RunningBox, life: Life) -> float:
        days = (box.now - self.began_at) / DAY
        return min(60.0, max(0.0, 1.5 * days)) if life is self.life else 0.0

    def complaints(self, world: World, changes: Sequence[FindingChange]) -> list[str]:
        """In ten days it is not hot yet."""
        is_long = world.days > 40
        return super().complaints(world, changes) if is_long else []


class BothEndsByTurns(OddFault):
    """Two links of one riser make errors on alternate days, as a bent riser does when the room warms and cools."""

    _other: Life

    def prepare(self, box: RunningBox) -> None:
        self.rules, self.days = ("signal-errors",), 5.0
        first = self.choose(box, box.now + 2 * DAY)
        others = [life for life in box.lives if life.drive and life is not first]
        self._other = box.draw.choice(others) if others else first

    def error_rate(self, box: RunningBox, life: Life) -> float:
        turn = self.life if int(box.now // DAY) % 2 else self._other
        return 40.0 if life is turn and box.now > self.began_at else 0.0

    def complaints(self, world: World, changes: Sequence[FindingChange]) -> list[str]:
        """What nobody counts, nobody sees."""
        unseen = world.view.counting is Counting.NONE
        return [] if unseen else super().complaints(world, changes)


ODDITIES = by_name(
    PulledInOneFrame, LogRefusedUnderLoad, CheckInParts, WordsOfMembers, ReplacedInPlace, GhostInAnEmptySlot,
    FormattedAnew, ClockDrifts, RescueBoot,
)  # fmt: skip

TROUBLES = by_name(
    LeavesWithoutALog, SecondMemberLost, GoneAfterARestart, GoesWhileNobodyWatches, DustGathers, BothEndsByTurns,
)  # fmt: skip
