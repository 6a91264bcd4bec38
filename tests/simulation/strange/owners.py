"""What owners do, with reason: they pull and swap, suspend, reset, rename, lend a drive to a guest, take turns."""

from simulation.hardware import Drive, Port, Presence
from simulation.kernel_words import Line, Words
from simulation.loads import DAY
from simulation.running_box import Life, RunningBox
from simulation.strange.oddity import HOUR, Disk, Oddity, by_name, clear_below, find_here, some_life
from support.unread_answers import known


def let_go(box: RunningBox, life: Life, drive: Drive) -> None:
    """The driver lets go of a drive because somebody asked: no word in the log, only events."""
    controller, number = f"{drive.sysfs_path}/nvme/nvme{drive.number}", drive.number
    box.device_event("remove", f"{controller}/nvme{number}n1", "block", devname=f"nvme{number}n1", devtype="disk")
    box.device_event("remove", controller, "nvme", devname=f"nvme{number}")
    drive.number = None
    life.load = 0.0
    box.changed()
    box.at(box.now + 1, box.frame)  # a device event starts a pass at once


def take_off_bus(box: RunningBox, life: Life, drive: Drive) -> None:
    """Let go of a drive, whose function leaves the bus too."""
    let_go(box, life, drive)
    box.device_event("remove", drive.sysfs_path, "pci")
    drive.presence = Presence.AWAY


def bring_back(box: RunningBox, drive: Drive, *, unplugged: bool) -> None:
    """The kernel finds a drive."""
    drive.presence, drive.state = Presence.HERE, "live"
    if unplugged:
        drive.counters.clear()
        drive.stat = [0] * 11
        drive.health.power_cycles += 1
    box.box.state()  # gives it a number and a path
    number, controller = drive.number or 0, f"{drive.sysfs_path}/nvme/nvme{drive.number}"
    box.say(box.words.came_back(number, drive.address, fresh=True), later=0.1)
    if unplugged:
        box.device_event("add", drive.sysfs_path, "pci")
    box.device_event("add", controller, "nvme", devname=f"nvme{number}")
    box.device_event("add", f"{controller}/nvme{number}n1", "block", devname=f"nvme{number}n1", devtype="disk")
    box.changed()


class PulledByHand(Oddity):
    """The owner asks the kernel to remove a drive, then pulls it; the slot, still on, says that its link went down.

    Source: drivers/pci/hotplug/pciehp_ctrl.c, ``pciehp_handle_presence_or_link_change``.
    """

    def prepare(self, box: RunningBox) -> None:
        for life in box.lives:
            life.port.hot_plug = True
        for _ in range(box.draw.randint(2, 5)):
            box.at(box.draw.uniform(box.now + DAY, self.until - DAY), lambda: self._pull(box, some_life(box)))

    def _pull(self, box: RunningBox, life: Life) -> None:
        if (drive := find_here(box, life)) is None:
            return
        take_off_bus(box, life, drive)
        back = box.now + box.draw.uniform(0.05, 30) * HOUR
        self.excused.append((life.port.path, box.now, back + HOUR, "pulled by hand"))

        def pull() -> None:
            if not box.is_off and drive.presence is Presence.AWAY:
                box.say_slot(life.port, "Link Down")
                box.say_slot(life.port, "Card not present", later=0.02)

        def plug() -> None:
            if not box.is_off and drive.presence is Presence.AWAY:
                box.say_slot(life.port, "Card present")
                box.say_slot(life.port, "Link Up", later=0.2)
                bring_back(box, drive, unplugged=True)

        box.at(box.now + box.draw.uniform(3, 60), pull)
        box.at(back, plug)


class TakenOutWithPowerOff(Oddity):
    """The owner shuts down, takes a drive home for some days, and puts it back with the power off."""

    def prepare(self, box: RunningBox) -> None:
        for _ in range(box.draw.randint(1, 2)):
            box.at(box.draw.uniform(box.now + 3 * DAY, self.until - 4 * DAY), lambda: self._take(box, some_life(box)))

    def _take(self, box: RunningBox, life: Life) -> None:
        drive = life.drive
        if drive is None or box.is_off:
            return
        back = box.now + box.draw.uniform(0.5, 6) * DAY
        box.shut_down(seconds=900, power_off=True)
        life.port.drive = None
        self.excused.append((life.port.path, box.now, back + HOUR, "taken home"))

        def put_back() -> None:
            box.shut_down(seconds=900, power_off=True)
            if life.port.drive is None:
                life.port.drive = drive

        box.when_on(back, put_back)


class ResetByHand(Oddity):
    """The owner resets controllers, binds their driver again, or removes them and scans the bus: a script, say.

    Source: drivers/nvme/host/ioctl.c, ``NVME_IOCTL_RESET`` ("resetting controller").
    """

    def prepare(self, box: RunningBox) -> None:
        self.daily(box, box.draw.uniform(0, 23), self._reset, every=box.draw.choice((1, 3, 7)))

    def _reset(self, box: RunningBox) -> None:
        life = some_life(box)
        if (drive := find_here(box, life)) is None:
            return
        address, number = drive.address, drive.number or 0
        way = box.draw.choice(("reset", "bind", "scan"))
        if way == "reset":
            drive.state = "resetting"
            box.say([Line(f"nvme nvme{number}: resetting controller")])
            box.changed()
            box.at(box.now + 2, lambda: self._ready(box, drive, number, address))
        else:
            let_go(box, life, drive)
            drive.presence = Presence.UNBOUND if way == "bind" else Presence.AWAY
            if way == "scan":
                box.device_event("remove", drive.sysfs_path, "pci")
                drive.counters.clear()
            box.at(box.now + box.draw.uniform(2, 40), lambda: self._find(box, drive))

    def _ready(self, box: RunningBox, drive: Drive, number: int, address: str) -> None:
        if drive.state == "resetting":
            drive.state = "live"
            box.say(box.words.came_back(number, address, fresh=False))
            box.changed()

    def _find(self, box: RunningBox, drive: Drive) -> None:
        if not box.is_off and drive.presence is not Presence.HERE:
            if drive.presence is Presence.AWAY:
                box.device_event("add", drive.sysfs_path, "pci")
            bring_back(box, drive, unplugged=False)


class LentToAGuest(Oddity):
    """The owner gives a drive to a virtual machine for some days: another driver holds its function."""

    def prepare(self, box: RunningBox) -> None:
        for _ in range(box.draw.randint(1, 3)):
            box.at(box.draw.uniform(box.now + DAY, self.until - 2 * DAY), lambda: self._lend(box, some_life(box)))

    def _lend(self, box: RunningBox, life: Life) -> None:
        if (drive := find_here(box, life)) is None:
            return
        back = box.now + box.draw.uniform(0.2, 8) * DAY
        let_go(box, life, drive)
        drive.presence = Presence.UNBOUND
        bound = f"{drive.sysfs_path}/driver"
        box.box.extra_links[bound] = "../../../../bus/pci/drivers/vfio-pci"
        self.excused.append((life.port.path, box.now, back + HOUR, "lent to a guest"))

        def take_back() -> None:
            box.box.extra_links.pop(bound, None)
            if not box.is_off and drive.presence is Presence.UNBOUND:
                bring_back(box, drive, unplugged=False)

        box.at(back, take_back)

    def booted(self, box: RunningBox) -> None:
        """A restart gives it back."""
        for path in [path for path in box.box.extra_links if path.endswith("/driver") and "/0000:1f" not in path]:
            if box.box.extra_links[path].endswith("vfio-pci"):
                del box.box.extra_links[path]


class BackupDrivesTakeTurns(Oddity):
    """One position holds now one backup drive and now the other, changed each week with the power off or on."""

    path: str

    def prepare(self, box: RunningBox) -> None:
        life = some_life(box)
        self.path, first = life.port.path, known(life.drive)
        second = Drive(
            serial="TIDE-B-0002", model=first.model, capacity_bytes=first.capacity_bytes,
            generation=first.generation, firmware=first.firmware,
        )  # fmt: skip
        pair = [first, second]
        life.port.hot_plug = hot = box.draw.random() < 0.5
        self.daily(box, box.draw.uniform(8, 18), lambda box: self._change(box, life, pair, hot=hot), every=7)

    def _change(self, box: RunningBox, life: Life, pair: list[Drive], *, hot: bool) -> None:
        if box.is_off or life.drive is None:
            return
        pair.reverse()
        if not hot:
            box.shut_down(seconds=600, power_off=True)
            life.port.drive = pair[0]
            return
        if life.drive.presence is not Presence.HERE:
            return
        take_off_bus(box, life, life.drive)

        def plug() -> None:
            life.port.drive = pair[0]
            if not box.is_off:
                bring_back(box, pair[0], unplugged=True)

        box.at(box.now + box.draw.uniform(1, 90) * 60, plug)

    def declare(self, declaration: str) -> str:
        head, _, tail = declaration.partition(f'path = "{self.path}"\n')
        return f'{head}path = "{self.path}"\nremovable = true\n{tail}' if tail else declaration


class DifferentWork(Oddity):
    """Drives of a model do different work: one streams by the mebibyte, its siblings serve small reads."""

    def prepare(self, box: RunningBox) -> None:
        begin = box.now if box.draw.random() < 0.5 else box.draw.uniform(box.now + 3 * DAY, self.until - 5 * DAY)
        streams = some_life(box)
        large, small = box.draw.choice(((1 << 20, 16_384), (1 << 19, 4096), (1 << 18, 65_536)))

        def change() -> None:
            for life in box.lives:
                life.request_bytes = large if life is streams else small
                life.read_ms = life.request_bytes / 1_000_000 * 3 + 0.08  # a few hundred MB/s, and the way there
                life.write_ms = life.read_ms / 2

        box.at(begin, change)


class Suspends(Oddity):
    """The box sleeps when it is not needed; on some boards its drives lose power meanwhile, with or without a word."""

    def prepare(self, box: RunningBox) -> None:
        power = box.draw.choice(("kept", "lost in good order", "lost without a word"))
        hours = box.draw.uniform(3, 9)
        for hour in box.draw.choice(((1.0,), (1.0, 14.0))):
            self.daily(box, hour, lambda box: self._suspend(box, hours * HOUR * box.draw.uniform(0.4, 1), power))

    def _suspend(self, box: RunningBox, seconds: float, power: str) -> None:
        if box.is_off:
            return
        box.suspend(seconds)
        for life in box.lives:
            if life.drive is not None and life.drive.presence is Presence.HERE and power != "kept":
                life.drive.health.power_cycles += 1
                life.drive.health.unsafe_shutdowns += power == "lost without a word"


class Renames(Oddity):
    """Names move: the host's, and the drives' with each boot, since the kernel numbers them as they answer."""

    def prepare(self, box: RunningBox) -> None:
        """Restarts now and then; once with another name of the host."""
        self.often(box, 40, lambda box: box.shut_down(seconds=90))
        box.at(box.draw.uniform(box.now + DAY, self.until), lambda: self._rename(box))

    def _rename(self, box: RunningBox) -> None:
        box.box.name = "skiff-renamed"
        box.changed()

    def booted(self, box: RunningBox) -> None:
        """Drives are numbered in the order in which they answer."""
        drives = [life.drive for life in box.lives if life.drive and life.drive.presence is Presence.HERE]
        numbers = box.draw.sample(range(len(drives)), len(drives))
        for drive, number in zip(drives, numbers, strict=True):
            drive.number = number


class RestartsForKernels(Oddity):
    """A distribution with a new kernel each week: restarts by kexec too, the words of the log change."""

    def prepare(self, box: RunningBox) -> None:
        versions = iter(((5, 15), (6, 1), (6, 6), (6, 8), (6, 9), (6, 12), (6, 14), (6, 16), (6, 17)))

        def update(box: RunningBox) -> None:
            if box.is_off or (version := next(versions, None)) is None:
                return
            box.words = Words(version=version, by_address=box.words.by_address)
            box.box.kernel = f"{version[0]}.{version[1]}.0-{box.draw.randint(2, 9)}-amd64"
            box.shut_down(seconds=box.draw.choice((6, 90)))

        self.daily(box, 9.0, update, every=7)


class UsbCase(Oddity):
    """A disk in a USB case comes each night for the backup and goes; its bridge resets now and then.

    Source of the words: drivers/usb/core/hub.c; drivers/scsi/sd.c.
    """

    def prepare(self, box: RunningBox) -> None:
        device = "pci0000:00/0000:00:14.0/usb2/2-1/2-1:1.0/host9/target9:0:0/9:0:0:0"
        disk = Disk(name="sdz", device=device, model="DRIFT Case", serial="DRIFT0001")
        hours = box.draw.uniform(0.5, 6)

        def come(box: RunningBox) -> None:
            if box.is_off:
                return
            disk.lay(box)
            box.box.smartctl["sdz"] = {
                "smartctl": {"exit_status": 1, "messages": [{"string": "/dev/sdz: Unknown USB bridge [0x2109:0x0715]"}]}
            }
            box.say([Line("usb 2-1: new SuperSpeed USB device number 5 using xhci_hcd", 6)])
            box.device_event("add", f"/sys/devices/{device}/block/sdz", "block", devname="sdz", devtype="disk")
            box.changed()
            for _ in range(box.draw.choice((0, 0, 1, 4))):
                later = box.draw.uniform(60, hours * HOUR)
                box.at(box.now + later, lambda: reset(box))
            box.at(box.now + hours * HOUR, lambda: go(box))

        def reset(box: RunningBox) -> None:
            box.say([Line("usb 2-1: reset SuperSpeed USB device number 5 using xhci_hcd", 6)])

        def go(box: RunningBox) -> None:
            clear_below(box, f"/sys/devices/{device}")
            box.box.smartctl.pop("sdz", None)
            if not box.is_off:
                box.say([Line("usb 2-1: USB disconnect, device number 5", 6)])
                box.say([Line("sd 9:0:0:0: [sdz] Synchronizing SCSI cache", 5)])
                box.device_event("remove", f"/sys/devices/{device}/block/sdz", "block", devname="sdz", devtype="disk")
            box.changed()

        self.daily(box, 2.0, come, every=box.draw.choice((1, 1, 3)))


class AddsDrives(Oddity):
    """The owner fills empty sockets, with the power off, and declares nothing of it."""

    def prepare(self, box: RunningBox) -> None:
        ports = [Port(hop=f"05.{number}", slot_number=50 + number, path=f"0000:00/05.{number}") for number in (1, 2)]
        box.box.ports.extend(ports)
        for number, port in enumerate(ports):
            box.lives.append(Life(port=port, base_errors_an_hour=0.002))
            box.at(
                box.draw.uniform(box.now + DAY, self.until - DAY), lambda port=port, n=number: self._add(box, port, n)
            )

    def _add(self, box: RunningBox, port: Port, number: int) -> None:
        if not box.is_off:
            box.shut_down(seconds=900, power_off=True)
            port.drive = Drive(serial=f"NEW-{number}", model="Marram Lite 2000", generation=3, firmware="ML07")


ODDITIES = by_name(
    AddsDrives, PulledByHand, TakenOutWithPowerOff, ResetByHand, LentToAGuest, BackupDrivesTakeTurns, DifferentWork,
    Suspends, Renames, RestartsForKernels, UsbCase,
)  # fmt: skip
