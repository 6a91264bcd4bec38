"""Machines that are sound and odd: sensors of nothing, disks in standby, guests, wrong clocks, loud logs."""

from dataclasses import replace

from simulation.box_parts import Sheet, lay_interface
from simulation.kernel_words import Line
from simulation.loads import DAY
from simulation.running_box import RunningBox
from simulation.strange.oddity import (
    HOUR,
    Disk,
    Function,
    Oddity,
    add_platform_disk,
    add_sata,
    array_of,
    by_name,
    lay_files,
)
from simulation.views import HealthView


class DisksInStandby(Oddity):
    """SATA disks that spin down by themselves and are woken for the backup, or by whoever looks at a file."""

    disks: list[Disk]
    _awake_until: float = 0.0

    def prepare(self, box: RunningBox) -> None:
        self.disks = add_sata(box, box.draw.randint(2, 6))
        self.often(box, 365 * box.draw.choice((1, 4, 20)), self._wake)

    def _wake(self, box: RunningBox) -> None:
        awake = box.draw.uniform(0.3, 3) * HOUR
        self._awake_until = max(self._awake_until, box.now + awake)
        self._show(box)
        box.at(self._awake_until + 1, lambda: self._show(box))

    def _show(self, box: RunningBox) -> None:
        standby = box.now >= self._awake_until
        for disk in self.disks:
            if not standby:
                disk.stat[0] += 500
                disk.stat[2] += 64_000
                disk.stat[9] += 900
                disk.celsius = box.draw.randint(28, 36)
                disk.lay(box)
            disk.lay_smart(box, standby=standby)
        box.changed()


class DrivesThatSleep(Oddity):
    """NVMe drives whose functions are suspended at run time whenever they are idle, so that a reading lets them be."""

    def prepare(self, box: RunningBox) -> None:
        box.sleeping = True
        for life in box.lives:
            if life.drive is not None:
                life.drive.power_control = "auto"


class FloatingSensors(Oddity):
    """Inputs of the board's chip to which nothing is wired: 127 degrees, -62, or whatever the wire picks up.

    Source: Documentation/hwmon/sysfs-interface.rst; that unconnected inputs float is common practice, no source.
    """

    _folder = "/sys/devices/platform/nct6775.656/hwmon/hwmon9"

    def prepare(self, box: RunningBox) -> None:
        box.box.extra_links["/sys/class/hwmon/hwmon9"] = "../../devices/platform/nct6775.656/hwmon/hwmon9"
        lay_files(box, self._folder, (
            ("name", "nct6798"), ("temp1_label", "SYSTIN"), ("temp1_input", "34000"), ("temp1_max", "80000"),
            ("temp3_label", "AUXTIN0"), ("temp3_input", "127000"), ("temp3_max", "80000"), ("temp3_alarm", "1"),
            ("temp4_label", "AUXTIN1"), ("temp4_input", "-62000"), ("temp5_label", "AUXTIN2"),
            ("temp5_input", "97000"), ("temp5_crit", "100000"), ("temp6_label", "PCH_CHIP_TEMP"),
            ("temp6_input", "0"), ("fan1_input", "0"), ("fan1_min", "0"), ("fan2_input", "880"),
            ("fan2_min", "0"), ("fan3_input", "0"), ("fan3_alarm", "1"),
        ))  # fmt: skip

    def tick(self, box: RunningBox) -> None:
        """The floating ones drift."""
        for number, low, high in ((3, 90, 127), (5, 60, 127), (4, -62, 20)):
            value = box.draw.choice((127, box.draw.randint(low, high))) if number == 3 else box.draw.randint(low, high)
            lay_files(box, self._folder, ((f"temp{number}_input", str(value * 1000)),))
        lay_files(box, self._folder, (("temp1_input", str(box.draw.randint(30, 40) * 1000)),))
        if box.draw.random() < 0.2:
            box.changed()


def lay_root_port(box: RunningBox, sysfs_path: str, *, generation: int, lanes: int, trained_generation: int) -> None:
    """Lay out a port of the board."""
    Function(
        sysfs_path=sysfs_path, class_code=0x060400, driver="pcieport", generation=generation, lanes=lanes, port_type=4,
        trained_generation=trained_generation, trained_lanes=lanes,
    ).lay(box)  # fmt: skip


class OtherDevices(Oddity):
    """A graphics card whose link rests at its lowest rate, a card reader and controllers that sleep; none declared."""

    functions: list[Function]

    def prepare(self, box: RunningBox) -> None:
        below = (
            ("1c.0", "a0", Function(sysfs_path="", class_code=0x030000, driver="amdgpu", generation=4, lanes=16)),
            ("1c.4", "a2", Function(sysfs_path="", class_code=0xFF0000, driver="rtsx_pci", generation=1, lanes=1)),
            ("1d.0", "a4", Function(sysfs_path="", class_code=0x0C0330, driver="xhci_hcd", generation=3, lanes=4)),
            ("1d.4", "a6", Function(sysfs_path="", class_code=0x028000, driver="iwlwifi", generation=2, lanes=1)),
        )
        for hop, bus, function in below:
            port = f"pci0000:00/0000:00:{hop}"
            function.sysfs_path = f"{port}/0000:{bus}:00.0"
            lay_root_port(box, port, generation=4, lanes=function.lanes, trained_generation=1)
        self.functions = [function for _, _, function in below]
        self._rest(box)

    def _rest(self, box: RunningBox) -> None:
        for function in self.functions:
            rests = box.draw.random() < 0.7
            function.sleeps = rests and function.driver != "iwlwifi"
            function.trained_generation = 1 if rests else function.generation
            function.trained_lanes = function.lanes
            function.lay(box)
        box.changed()

    def tick(self, box: RunningBox) -> None:
        """Now and then one works."""
        if box.draw.random() < 0.15:
            self._rest(box)


class FirmwareRaid(Oddity):
    """A mirror of the board's firmware: a container that is no array, and the volume in it.

    Source: md(4), "external metadata"; mdadm(8), IMSM and DDF; Documentation/admin-guide/md.rst.
    """

    def prepare(self, box: RunningBox) -> None:
        names = [disk.name for disk in add_sata(box, 2)]
        kind = box.draw.choice(("imsm", "ddf"))
        for name in ("md126", "md127"):
            box.box.extra_links[f"/sys/block/{name}"] = f"../devices/virtual/block/{name}"
        container, volume = (f"/sys/devices/virtual/block/{name}" for name in ("md127", "md126"))
        lay_files(box, container, (
            ("size", "0"), ("md/array_state", "inactive"), ("md/level", "container"), ("md/raid_disks", "0"),
            ("md/metadata_version", f"external:{kind}"), ("md/mismatch_cnt", "0"),
            *((f"md/dev-{name}/{file}", value) for name in names
              for file, value in (("state", "spare"), ("slot", "none"), ("errors", "0"))),
        ))  # fmt: skip
        lay_files(box, volume, (
            ("size", "15624000000"), ("md/array_state", "clean"), ("md/level", "raid1"), ("md/raid_disks", "2"),
            ("md/metadata_version", "external:/md127/0"), ("md/degraded", "0"), ("md/sync_action", "idle"),
            ("md/sync_completed", "none"), ("md/sync_speed", "none"), ("md/mismatch_cnt", "0"),
            *((f"md/dev-{name}/{file}", value) for slot, name in enumerate(names)
              for file, value in (("state", "in_sync"), ("slot", str(slot)), ("errors", "0"))),
        ))  # fmt: skip

    def tick(self, box: RunningBox) -> None:
        """It is written to: clean, active, and clean again."""
        if box.draw.random() < 0.2:
            lay_files(
                box, "/sys/devices/virtual/block/md126", (("md/array_state", box.draw.choice(("clean", "active"))),)
            )
            box.changed()


class MonthlyCheck(Oddity):
    """A mirror that md checks each month; it counts mismatches, as a mirror with swap or lazy writes may (md(4))."""

    def prepare(self, box: RunningBox) -> None:
        array, folder = array_of(box, "raid1", 2, size_bytes=2_000_000_000_000)

        def check(box: RunningBox) -> None:
            if not box.is_off:
                array.sync_action = "check"
                box.changed()
                box.at(box.now + 4 * HOUR, end)

        def end() -> None:
            array.sync_action = "idle"
            lay_files(box, folder, (("mismatch_cnt", "256"),))
            box.changed()

        self.daily(box, 3.0, check, every=28)


class Guest(Oddity):
    """The box is a virtual machine: links of no meaning, a temperature that never moves, a clock that leaps."""

    def prepare(self, box: RunningBox) -> None:
        """QEMU's drives, as common machine types have them (common practice, no source)."""
        box.box.board_vendor, box.box.board_name = "Emulated", "Standard machine"
        for life in box.lives:
            life.base_errors_an_hour = 0.0
            life.port.lanes, life.port.generation, life.port.has_aer = 32, 4, False
            if life.drive is not None:
                life.drive.generation = life.drive.lanes = 1
                life.drive.has_aer = False
                life.drive.health.temperature_celsius = 50.0
        self.often(box, 40, self._move)

    def _move(self, box: RunningBox) -> None:
        """It moves to another host: it stands still for a minute, then its clock leaps."""
        if not box.is_off:
            box.look_away(60)
            box.say([Line("clocksource: timekeeping watchdog on CPU1: Marking clocksource 'tsc' as unstable", 4)])

    def declare(self, declaration: str) -> str:
        """Nobody declares the links of a guest."""
        return "\n".join(line for line in declaration.splitlines() if not line.startswith("link ="))

    def tick(self, box: RunningBox) -> None:
        """The temperature stands still."""
        for life in box.lives:
            life.temperature = life.target = 50.0


class ClockWrongAtBoot(Oddity):
    """The clock's battery is dead: each boot begins years ago, until the network tells the time."""

    _error: float
    _seconds: float

    def prepare(self, box: RunningBox) -> None:
        self._error = box.draw.choice((-6 * 365 * DAY, -400 * DAY, 5 * 365 * DAY, -7200.0))
        self._seconds = box.draw.uniform(30, 3 * HOUR)
        self.often(box, 40, lambda box: box.shut_down(seconds=120, power_off=box.draw.random() < 0.5))

    def booted(self, box: RunningBox) -> None:
        """Wrong, then right."""
        box.clock_error = self._error

        def mend() -> None:
            box.clock_error = 0.0
            box.frame()

        box.at(box.now + 20, box.frame)
        box.at(box.now + self._seconds, mend)


class LoudLog(Oddity):
    """A log that is flooded: by a firewall, by a chatty driver, by a service; records get lost."""

    _TEXTS = (
        "[UFW BLOCK] IN=eth0 OUT= MAC=02:6b SRC=192.0.2.7 DST=192.0.2.1 LEN=40 PROTO=TCP SPT=4431 DPT=22",
        "perf: interrupt took too long (3131 > 3130), lowering kernel.perf_event_max_sample_rate to 63750",
        "usb 3-4: device descriptor read/64, error -71",
        "nfsd: peername failed (err 107)!",
        "EXT4-fs (sdz1): re-mounted. Opts: errors=remount-ro",
        "ACPI Error: Aborting method \\_SB.PCI0.LPCB.EC.BAT1 due to previous error (AE_NOT_FOUND)",
    )

    def prepare(self, box: RunningBox) -> None:
        self.often(box, 365 * 4, self._flood)

    def _flood(self, box: RunningBox) -> None:
        if not box.is_off:
            text = box.draw.choice(self._TEXTS)
            box.say([Line(text, box.draw.choice((3, 4, 6))) for _ in range(box.draw.randint(50, 400))])
            box.log.sequence += box.draw.choice((0, 0, 7000))  # the ring was overrun


class LongPowerCuts(Oddity):
    """No mains for days or weeks, more than once; the mains may flicker when they come back."""

    def prepare(self, box: RunningBox) -> None:
        for _ in range(box.draw.randint(1, 4)):
            box.at(box.draw.uniform(box.now + DAY, self.until - DAY), lambda: self._cut(box))

    def _cut(self, box: RunningBox) -> None:
        box.shut_down(seconds=box.draw.choice((0.3, 2, 9)) * DAY, cut=True)

    def booted(self, box: RunningBox) -> None:
        """Flicker: off again within minutes, twice."""
        if box.draw.random() < 0.2:
            box.at(box.now + 240, lambda: box.shut_down(seconds=60, cut=True))


class WatchStartsAgain(Oddity):
    """Whoever watches is started again, by updates and by hand: it reads again what the kernel's log still holds."""

    def prepare(self, box: RunningBox) -> None:
        self.often(box, 100, self._start)

    def _start(self, box: RunningBox) -> None:
        if not box.is_off:
            box.watch_again()
            box.at(box.now + box.draw.uniform(3, 30), box.frame)


class NetworkUpkeep(Oddity):
    """The switch is restarted at night, ports come up at a lower rate for some hours, a cable is moved."""

    _names = "enp160s0f0", "enp160s0f1"
    _changes = 2

    def prepare(self, box: RunningBox) -> None:
        port = "pci0000:00/0000:00:1c.0"
        lay_root_port(box, port, generation=3, lanes=4, trained_generation=3)
        self._folders = []
        for number, name in enumerate(self._names):
            sysfs_path = f"{port}/0000:a0:00.{number}"
            Function(
                sysfs_path=sysfs_path, class_code=0x020000, driver="station_net", trained_generation=3, trained_lanes=4
            ).lay(box)
            self._folders.append(f"/sys/devices/{sysfs_path}/net/{name}")
            box.box.extra_links[f"/sys/class/net/{name}"] = f"../../devices/{sysfs_path}/net/{name}"
            box.box.extra_links[f"{self._folders[-1]}/device"] = f"../../../0000:a0:00.{number}"
        self._show(box, 10_000, changes=2)
        self.often(box, 60, self._restart_switch)

    def _show(self, box: RunningBox, speed: int, *, changes: int) -> None:
        for number, folder in enumerate(self._folders):
            sheet = Sheet()
            lay_interface(sheet, folder, mac=f"02:6b:65:6c:70:{number:02x}", speed_mbit_s=speed)
            box.box.extra_files.update(sheet.files)
            up = "up" if speed > 0 else "down"
            lay_files(
                box, folder, (("carrier_changes", str(changes)), ("operstate", up), ("carrier", str(int(speed > 0))))
            )
        box.changed()

    def _restart_switch(self, box: RunningBox) -> None:
        if box.is_off:
            return
        self._changes += 2
        slow = box.draw.choice((10_000, 10_000, 1000))
        self._show(box, -1, changes=self._changes - 1)
        box.say([Line(f"station_net 0000:a0:00.0 {self._names[0]}: NIC Link is Down", 6)])
        box.at(box.now + 200, lambda: self._show(box, slow, changes=self._changes))
        box.at(box.now + 5 * HOUR, lambda: self._show(box, 10_000, changes=self._changes + 2 * (slow < 10_000)))

    def booted(self, box: RunningBox) -> None:
        """Counters begin at zero."""
        self._changes = 2
        self._show(box, 10_000, changes=2)


class CardMovesBuses(Oddity):
    """Cards come and go in other slots, so that buses and addresses of everything behind them move at a boot."""

    def prepare(self, box: RunningBox) -> None:
        self.often(box, 25, lambda box: box.shut_down(seconds=600, power_off=True))

    def booted(self, box: RunningBox) -> None:
        """The walk over the buses begins later or earlier."""
        box.box.first_bus = box.draw.choice((0, 0, 1, 5, 32))


class PlatformDisk(Oddity):
    """An Arm board whose SATA controller is no PCI function, with one sound disk."""

    def prepare(self, box: RunningBox) -> None:
        add_platform_disk(box)


class DrivesHiddenByFirmware(Oddity):
    """The firmware keeps NVMe drives behind its SATA controller, where the kernel cannot reach them.

    Source: drivers/ata/ahci.c, ``ahci_remap_check``.
    """

    _count: int

    def prepare(self, box: RunningBox) -> None:
        self._count = box.draw.choice((1, 2))
        add_sata(box, 1)

    def booted(self, box: RunningBox) -> None:
        """The driver says so at each boot."""
        words = f"Found {self._count} remapped NVMe devices.", "Switch your BIOS from RAID to AHCI mode to use them."
        box.say([Line(f"ahci 0000:00:17.0: {text}") for text in words], later=1.0)


class HealthDeniedForAWhile(Oddity):
    """An update of the system takes the right to ask drives away, until the owner gives it back days later."""

    def prepare(self, box: RunningBox) -> None:
        for _ in range(box.draw.choice((1, 2))):
            box.at(box.draw.uniform(box.now + DAY, self.until - DAY), lambda: self._deny(box))

    def _deny(self, box: RunningBox) -> None:
        self._set(box, HealthView.DENIED)
        box.at(box.now + box.draw.uniform(0.2, 5) * DAY, lambda: self._set(box, HealthView.LOG))

    def _set(self, box: RunningBox, health: HealthView) -> None:
        box.show(replace(box.view, health=health))


ODDITIES = by_name(
    DrivesHiddenByFirmware, HealthDeniedForAWhile, DisksInStandby, DrivesThatSleep, FloatingSensors, OtherDevices,
    FirmwareRaid, MonthlyCheck, Guest, ClockWrongAtBoot, LoudLog, LongPowerCuts, WatchStartsAgain, NetworkUpkeep,
    CardMovesBuses, PlatformDisk,
)  # fmt: skip
