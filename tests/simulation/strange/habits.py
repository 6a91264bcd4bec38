"""Sound boxes with habits that look like faults: numbers run over, fans rest, cases are unplugged, queues are deep."""

from simulation.box_parts import MdArray
from simulation.hardware import Drive, Port, Presence
from simulation.loads import DAY
from simulation.running_box import Life, RunningBox
from simulation.strange.oddity import HOUR, Oddity, add_sata, by_name, find_here, lay_files, some_life
from simulation.strange.owners import bring_back, take_off_bus
from support.unread_answers import known

_32_BITS = 1 << 32


class NumbersRunOver(Oddity):
    """A busy drive whose milliseconds of work run over at 32 bits, again and again.

    Source: block/genhd.c, ``part_stat_show``: unsigned int; Documentation/admin-guide/iostats.rst.
    """

    _life: Life

    def prepare(self, box: RunningBox) -> None:
        self._life = some_life(box)
        for life in box.lives:
            life.read_ms, life.write_ms = 30.0, 20.0  # many requests at once
        stat = known(self._life.drive).stat
        stat[3] = stat[7] = _32_BITS - 40_000_000

    def tick(self, box: RunningBox) -> None:  # noqa: ARG002 (its own drive)
        """Each runs over by itself."""
        if drive := self._life.drive:
            for number in (3, 7, 10):
                drive.stat[number] %= _32_BITS


class FansRest(Oddity):
    """A board that lets its fans stand still while it is cool, at night or on idle days. Common practice, no source."""

    folder: str = "/sys/devices/platform/nct6687.2592/hwmon/hwmon8"

    def prepare(self, box: RunningBox) -> None:
        """Three fans: one that always turns, two that rest."""
        box.box.extra_links["/sys/class/hwmon/hwmon8"] = "../../devices/platform/nct6687.2592/hwmon/hwmon8"
        lay_files(box, self.folder, (("name", "nct6687"), *((f"fan{number}_input", "900") for number in (1, 2, 3))))

    def tick(self, box: RunningBox) -> None:
        """By night they rest."""
        rests = (box.now % DAY) / HOUR < 7 or box.draw.random() < 0.1
        rpm = 0 if rests else box.draw.randint(500, 900)
        lay_files(box, self.folder, (("fan2_input", str(rpm)), ("fan3_input", str(rpm))))
        if box.draw.random() < 0.3:
            box.changed()


class CaseUnplugged(Oddity):
    """A drive in a Thunderbolt case comes for the backup; it is unmounted and unplugged without asking the kernel.

    Source: Documentation/ABI/testing/sysfs-devices-removable; drivers/pci/hotplug/pciehp_ctrl.c.
    """

    def prepare(self, box: RunningBox) -> None:
        port = Port(hop="07.0", slot_number=70, path="0000:00/07.0", hot_plug=True)
        box.box.ports.append(port)
        life = Life(port=port, base_errors_an_hour=0.0, share=0.2)
        box.lives.append(life)
        drive = Drive(serial="CASE-1", model="Ebbtide Travel", generation=3, firmware="T1", presence=Presence.AWAY)
        port.drive = drive
        self.daily(box, 20.0, lambda box: self._come(box, life, drive), every=box.draw.choice((1, 3)))

    def _come(self, box: RunningBox, life: Life, drive: Drive) -> None:
        if box.is_off or drive.presence is not Presence.AWAY:
            return
        box.say_slot(life.port, "Card present", "Link Up")
        bring_back(box, drive, unplugged=True)
        lay_files(box, drive.sysfs_path, (("removable", "removable"),))
        box.at(box.now + box.draw.uniform(1, 5) * HOUR, lambda: self._go(box, life, drive))

    def _go(self, box: RunningBox, life: Life, drive: Drive) -> None:
        if not find_here(box, life):
            return
        box.say_slot(life.port, "Link Down", "Card not present")
        take_off_bus(box, life, drive)
        drive.health.unsafe_shutdowns += 1
        box.box.extra_files.pop(f"{drive.sysfs_path}/removable", None)

    def booted(self, box: RunningBox) -> None:
        """It is unplugged while the machine starts."""
        for life in box.lives:
            if life.drive is not None and life.drive.serial == "CASE-1":
                life.drive.presence = Presence.AWAY


class DeepQueues(Oddity):
    """One drive serves a program that asks for 64 blocks at a time, the others the same work one by one."""

    def prepare(self, box: RunningBox) -> None:
        life = some_life(box)

        def begin(box: RunningBox) -> None:
            life.read_ms, life.write_ms = 0.3 * 40, 0.1 * 40
            box.at(box.now + 5 * HOUR, end)

        def end() -> None:
            life.read_ms, life.write_ms = 0.3, 0.1

        self.daily(box, box.draw.uniform(0, 20), begin)


class SwapsDrives(Oddity):
    """The owner swaps two drives of one model with the power off, and back a week later, and notes nothing."""

    def prepare(self, box: RunningBox) -> None:
        self.daily(box, 11.0, self._swap, every=5)

    def _swap(self, box: RunningBox) -> None:
        if box.is_off:
            return
        first, second = box.draw.sample([life for life in box.lives if life.drive], 2)
        box.shut_down(seconds=900, power_off=True)
        first.port.drive, second.port.drive = second.port.drive, first.port.drive
        for life in (first, second):
            self.excused.append((life.port.path, box.now, self.until, "swapped"))


class OwnLimitOfHeat(Oddity):
    """The owner has a drive slow itself at a low temperature, since he likes it quiet: it counts transitions each day.

    Source: NVM Express Base Specification 2.0, feature 10h, Host Controlled Thermal Management.
    """

    _life: Life

    def prepare(self, box: RunningBox) -> None:
        self._life = some_life(box)

    def tick(self, box: RunningBox) -> None:
        """It counts under load."""
        drive = self._life.drive
        if drive is not None and self._life.load > 0 and box.draw.random() < 0.3:
            drive.health.thermal_transitions_1 += 1
            drive.health.thermal_seconds_1 += 40


class SelfTestsAborted(Oddity):
    """SATA disks whose weekly self-test is broken off by a restart, by the host, or is under way at a reading.

    Source: ATA/ATAPI Command Set 3, self-test execution status: 0 done, 1 and 2 broken off, 15 under way.
    """

    def prepare(self, box: RunningBox) -> None:
        disks = add_sata(box, 2)
        words = {
            0: "Completed without error", 1: "Aborted by host", 2: "Interrupted (host reset)",
            15: "Self-test routine in progress",
        }  # fmt: skip

        def test(box: RunningBox) -> None:
            for disk in disks:
                value = box.draw.choice((0, 1, 2, 15))
                entry = {
                    "type": {"value": 2, "string": "Extended offline"},
                    "status": {"value": value << 4, "string": words[value], "passed": value == 0},
                    "lifetime_hours": disk.hours,
                }
                box.box.smartctl[disk.name] = disk.report() | {
                    "ata_smart_self_test_log": {"standard": {"revision": 1, "table": [entry], "count": 1}}
                }
            box.changed()

        self.daily(box, 5.0, test, every=2)


class ArrayGrows(Oddity):
    """The owner adds a drive to an array: md reshapes it for a day, and it is larger. Source: md(4), sync_action."""

    def prepare(self, box: RunningBox) -> None:
        serials = [life.drive.serial for life in box.lives if life.drive]
        array = MdArray(name="md0", serials=tuple(serials[:3]), size_bytes=8_000_000_000_000)
        box.box.arrays.append(array)

        def grow() -> None:
            array.serials = tuple(serials[:4])
            array.sync_action = "reshape"
            box.changed()
            box.at(box.now + 20 * HOUR, end)

        def end() -> None:
            array.sync_action, array.size_bytes = "idle", 12_000_000_000_000
            box.changed()

        if len(serials) > 3:
            box.at(box.now + box.draw.uniform(2, 6) * DAY, grow)


class HotWeek(Oddity):
    """A hot week: each drive is warmer by a dozen degrees than ever, and below its own limits."""

    _from: float

    def prepare(self, box: RunningBox) -> None:
        self._from = box.draw.uniform(box.now, self.until - 2 * DAY)

    def warmth(self, box: RunningBox, life: Life) -> float:  # noqa: ARG002 (all alike)
        return 14.0 if self._from <= box.now < self._from + 7 * DAY else 0.0


class WatchPauses(Oddity):
    """The watch is off for days, more than once, while the box works on: what was counted meanwhile has no date."""

    def prepare(self, box: RunningBox) -> None:
        for _ in range(3):
            t = box.draw.uniform(box.now + DAY, self.until - 3 * DAY)
            box.at(t, lambda: box.look_away(box.draw.uniform(0.5, 3) * DAY))


ODDITIES = by_name(
    NumbersRunOver, FansRest, CaseUnplugged, DeepQueues, SwapsDrives, OwnLimitOfHeat, SelfTestsAborted, ArrayGrows,
    HotWeek, WatchPauses,
)  # fmt: skip
