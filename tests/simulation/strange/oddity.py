"""What is strange about a box, as something that acts on it: the base of all oddities, and parts that they share."""

import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Any, TypeVar

from laneproof.findings import FindingChange
from simulation.box_parts import MdArray
from simulation.hardware import Drive, Presence
from simulation.loads import DAY
from simulation.pages import LinkSide
from simulation.running_box import Influence, Life, RunningBox
from simulation.sysfs_tree import Tree, lay_function
from simulation.worlds import World

HOUR = 3600.0
_Kind = TypeVar("_Kind")


@dataclass(slots=True)
class Oddity(Influence):
    """Something strange and sound, or an odd way to fail.

    Attributes:
        until: When the story ends.
        excused: Positions (by path) that truly were not as planned for a while: path, from, to, what.
        serials: Drives that are truly in trouble.
        began_at: When that trouble began.
    """

    until: float
    excused: list[tuple[str, float, float, str]]
    serials: set[str] = field(default_factory=set)
    began_at: float = 0.0

    def prepare(self, box: RunningBox) -> None:
        """Lay out what stands in the box, and put on its agenda what happens."""

    def declare(self, declaration: str) -> str:
        """Add to the declaration what an owner of such a box would write."""
        return declaration

    def complaints(self, world: World, changes: Sequence[FindingChange]) -> list[str]:  # noqa: ARG002 (most have none)
        """Say what the program should have said of a box in trouble and did not, or said wrongly."""
        return []

    # --- for those who write stories ----------------------------------------------------------------------------------

    def often(self, box: RunningBox, per_year: float, act: Callable[[RunningBox], None]) -> None:
        """Let something happen at random times."""
        t = box.now
        while (t := t + box.draw.expovariate(per_year / (365 * DAY))) < self.until:
            box.at(t, lambda: act(box))

    def daily(self, box: RunningBox, hour: float, act: Callable[[RunningBox], None], *, every: int = 1) -> None:
        """Let something happen at about the same hour each day, or each few days."""
        t = box.now - box.now % DAY + DAY + hour * HOUR
        while t < self.until:
            box.at(t + box.draw.uniform(0, 900), lambda: act(box))
            t += every * DAY


def by_name(*kinds: type[_Kind]) -> dict[str, type[_Kind]]:
    """Give kinds by the names of their classes: `UsbCase` is ``usb-case``."""
    return {re.sub(r"(?<!^)(?=[A-Z])", "-", kind.__name__).lower(): kind for kind in kinds}


def some_life(box: RunningBox) -> Life:
    """Draw a position with a drive in it."""
    return box.draw.choice([life for life in box.lives if life.drive is not None])


def find_here(box: RunningBox, life: Life) -> Drive | None:
    """Give the drive of a position where the box runs, and it is on its bus."""
    drive = None if box.is_off else life.drive
    return drive if drive is not None and drive.presence is Presence.HERE else None


def lay_files(box: RunningBox, folder: str, files: Iterable[tuple[str, str]]) -> None:
    """Lay files of one line each."""
    box.box.extra_files.update({f"{folder}/{name}": f"{value}\n" for name, value in files})


def clear_below(box: RunningBox, folder: str) -> None:
    """Take a folder away, with all that links into it."""
    for table in (box.box.extra_files, box.box.extra_links, box.box.extra_binary):
        for path in [path for path in table if path.startswith(f"{folder}/")]:
            del table[path]
    inside = folder.removeprefix("/sys/")
    for path in [path for path, target in box.box.extra_links.items() if inside in target]:
        del box.box.extra_links[path]


@dataclass(slots=True, kw_only=True)
class Function:
    """A PCI function of the board or a card that holds no NVMe drive."""

    sysfs_path: str  # below /sys/devices
    class_code: int
    driver: str | None
    generation: int = 3
    lanes: int = 4
    trained_generation: int | None = None
    trained_lanes: int = 0
    port_type: int = 0
    sleeps: bool = False

    def lay(self, box: RunningBox) -> None:
        """Lay it out as it is now."""
        tree = Tree()
        side = LinkSide(
            generation=self.generation, lanes=self.lanes, port_type=self.port_type, has_aer=False, aspm_supported=2,
            aspm_enabled=2, trained_generation=self.trained_generation, trained_lanes=self.trained_lanes,
        )  # fmt: skip
        lay_function(
            tree, f"/sys/devices/{self.sysfs_path}", side, vendor=0xFFF3, device=0x3000 | self.class_code >> 16,
            class_code=self.class_code, driver=self.driver, control="auto", sleeps=self.sleeps,
        )  # fmt: skip
        box.box.extra_files.update(tree.files)
        box.box.extra_links.update(tree.links)
        box.box.extra_binary.update(tree.binary)


@dataclass(slots=True, kw_only=True)
class Disk:
    """A disk that the kernel knows through its SCSI layer: SATA, or in a USB case."""

    name: str
    device: str  # the SCSI device's folder, below /sys/devices
    model: str = "SHOAL AR8000"
    serial: str = "KELPS007"
    hours: int = 20_000
    celsius: int = 31
    stat: list[int] = field(default_factory=lambda: [0] * 11)

    def lay(self, box: RunningBox) -> None:
        """Lay it out as the kernel does."""
        folder = f"/sys/devices/{self.device}"
        lay_files(box, folder, (
            (f"block/{self.name}/size", "15628053168"), (f"block/{self.name}/removable", "0"),
            (f"block/{self.name}/queue/rotational", "1"),
            (f"block/{self.name}/queue/logical_block_size", "512"),
            (f"block/{self.name}/stat", " ".join(map(str, self.stat))),
            ("wwid", f"naa.5000c500{self.serial[-4:]}"), ("model", self.model.ljust(16)), ("rev", "0C.7"),
            ("power/runtime_status", "active"),
        ))  # fmt: skip
        box.box.extra_links[f"/sys/block/{self.name}"] = f"../devices/{self.device}/block/{self.name}"

    def lay_smart(self, box: RunningBox, *, standby: bool = False) -> None:
        """Set what smartctl says of it; of one in standby it says only that, and leaves it alone (smartctl(8), -n)."""
        box.box.smartctl[self.name] = {
            "smartctl": {"messages": [{"string": "Device is in STANDBY mode, exit(2)"}], "exit_status": 2}
        } if standby else self.report()  # fmt: skip

    def report(self, counts: Mapping[int, int] = MappingProxyType({})) -> dict[str, Any]:
        """Give what smartctl says of a disk that is awake; `counts` are attributes that are not zero."""
        return {
            "device": {"name": f"/dev/{self.name}", "type": "sat", "protocol": "ATA"},
            "model_name": self.model,
            "serial_number": self.serial,
            "firmware_version": "0C.7",
            "smart_status": {"passed": True},
            "power_on_time": {"hours": self.hours},
            "temperature": {"current": self.celsius},
            "ata_smart_attributes": {
                "table": [
                    {"id": number, "raw": {"value": counts.get(number, 0), "string": str(counts.get(number, 0))}}
                    for number in (5, 197, 198, 199)
                ]
            },
        }


SATA_CONTROLLER = "pci0000:00/0000:00:17.0"


def add_sata(box: RunningBox, count: int, *, first: int = 1) -> list[Disk]:
    """Add a controller of the board with some disks."""
    Function(sysfs_path=SATA_CONTROLLER, class_code=0x010601, driver="ahci").lay(box)
    disks = []
    for number in range(first, first + count):
        scsi = f"{SATA_CONTROLLER}/ata{number}/host{number - 1}/target{number - 1}:0:0/{number - 1}:0:0:0"
        disk = Disk(name=f"sd{'abcdefghij'[number - 1]}", device=scsi, serial=f"SHOAL{number:04d}")
        disk.hours = box.draw.randint(2000, 40_000)
        disk.lay(box)
        disk.lay_smart(box)
        disks.append(disk)
    return disks


def add_platform_disk(box: RunningBox) -> Disk:
    """Add a disk on a controller that is no PCI function, as the kernel of an Arm board shows it."""
    device = "platform/soc/fc800000.sata/ata1/host0/target0:0:0/0:0:0:0"
    disk = Disk(name="sda", device=device, model="SHOAL AR4000", serial="SHOAL0901")
    disk.lay(box)
    disk.lay_smart(box)
    return disk


def array_of(box: RunningBox, level: str, count: int, *, size_bytes: int = 4_000_000_000_000) -> tuple[MdArray, str]:
    """Add an array over the first drives; give it with its folder."""
    serials = tuple(life.drive.serial for life in box.lives if life.drive)[:count]
    array = MdArray(name="md0", serials=serials, size_bytes=size_bytes, level=level)
    box.box.arrays.append(array)
    return array, "/sys/devices/virtual/block/md0/md"
