"""What an emulated machine is made of, as values: ports, switch cards, drives, cables, firmware tables.

Each part knows the words by which QEMU builds it (its documentation: "Invocation", "NVMe Emulation"). Nothing here
starts anything: `boot.py` does.
"""

import json
import struct
import subprocess
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

Part = dict[str, Any]
"""One ``-device`` or ``-blockdev`` of QEMU, in the JSON form that the command line and QMP share."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RootPort:
    """A port of the root complex. Several with one device number are the branches of one split slot."""

    name: str
    address: str
    """Device and function on bus 0: ``4.0``."""
    slot: int
    """The physical slot's number, which the kernel shows in /sys/bus/pci/slots."""
    gt_s: str = "16"
    """QEMU's own words: ``2_5``, ``5``, ``8``, ``16``."""
    lanes: int = 4

    def device(self) -> Part:
        return {
            "driver": "pcie-root-port",
            "id": self.name,
            "bus": "pcie.0",
            "addr": self.address,
            "multifunction": True,
            "chassis": 1,
            "slot": self.slot,
            "x-speed": self.gt_s,
            "x-width": str(self.lanes),
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class SwitchCard:
    """A switch behind a root port, with one downstream port for each name."""

    name: str
    port: str
    downstream: tuple[str, ...]

    def devices(self) -> list[Part]:
        upstream: Part = {"driver": "x3130-upstream", "id": self.name, "bus": self.port}
        ports: list[Part] = [
            {
                "driver": "xio3130-downstream",
                "id": name,
                "bus": self.name,
                "addr": f"{number}.0",
                "chassis": 2,
                "slot": number,
            }
            for number, name in enumerate(self.downstream)
        ]
        return [upstream, *ports]


@dataclass(frozen=True, slots=True, kw_only=True)
class Drive:
    """An emulated NVMe drive in a port. Its blocks outlive a removal, so it can be put in again, there or elsewhere."""

    name: str
    serial: str
    port: str
    size_bytes: int = 64 << 20
    bad_sectors: tuple[int, ...] = ()
    """Sectors of 512 bytes whose reading fails as an unrecovered read error."""
    read_limit_bytes: int = 0
    """How much it may read a second; 0: as much as the emulation can."""
    smart_critical_warning: int = 0
    options: tuple[tuple[str, Any], ...] = ()

    def image(self, folder: Path) -> Path:
        return folder / f"{self.name}.img"

    def make(self, folder: Path) -> None:
        """Make the image: sparse, as large as the drive says."""
        with self.image(folder).open("wb") as image:
            image.truncate(self.size_bytes)

    def blocks(self, folder: Path) -> Part:
        file: Part = {"driver": "file", "filename": str(self.image(folder))}
        errors = [
            {"event": "none", "iotype": "read", "sector": sector, "errno": 5}  # EIO
            for sector in self.bad_sectors
        ]
        image: Part = {"driver": "blkdebug", "inject-error": errors, "image": file} if errors else file
        blocks: Part = {"driver": "raw", "file": image}
        if self.read_limit_bytes:
            blocks = {"driver": "throttle", "throttle-group": f"limit-{self.name}", "file": blocks}
        return blocks | {"node-name": f"blocks-{self.name}"}

    def limit(self) -> Part | None:
        """Give the object that holds its rate down, where it is held down."""
        if not self.read_limit_bytes:
            return None
        limits = {"bps-read": self.read_limit_bytes}
        return {"qom-type": "throttle-group", "id": f"limit-{self.name}", "limits": limits}

    def device(self, *, port: str = "") -> Part:
        """Give the drive as QEMU plugs it in, here into another port than at boot where one is named."""
        part: Part = {
            "driver": "nvme",
            "id": self.name,
            "serial": self.serial,
            "bus": port or self.port,
            "drive": f"blocks-{self.name}",
        }
        if self.smart_critical_warning:
            part["smart_critical_warning"] = self.smart_critical_warning
        return part | dict(self.options)


@dataclass(frozen=True, slots=True, kw_only=True)
class Cable:
    """A network cable between two interfaces of the same machine: a hub of QEMU's with nothing else on it."""

    number: int
    left: str
    """The MAC address at one end, lower case."""
    right: str

    def networks(self) -> list[str]:
        return [f"hubport,id=net-{_plain(mac)},hubid={self.number}" for mac in (self.left, self.right)]

    def devices(self) -> list[Part]:
        return [
            {
                "driver": "virtio-net-pci",
                "id": f"end-{_plain(mac)}",
                "netdev": f"net-{_plain(mac)}",
                "mac": mac,
                "speed": 10000,
                "duplex": "full",
                "romfile": "",
            }
            for mac in (self.left, self.right)
        ]


def _plain(mac: str) -> str:
    return mac.replace(":", "")


@dataclass(frozen=True, slots=True, kw_only=True)
class MemoryModule:
    """A memory module as the firmware tells it. Source: DMTF DSP0134 3.x, 7.18, Memory Device (Type 17)."""

    handle: int
    locator: str
    mebibytes: int
    rated_mt_s: int
    configured_mt_s: int

    def structure(self) -> bytes:
        head = struct.pack(
            "<BBHHHHHHBBBBBHHBBBBBIH",
            17, 0x22, self.handle, 0x1000, 0xFFFE, 72, 64, self.mebibytes, 0x09, 0, 1, 2, 0x22, 0x80, self.rated_mt_s,
            3, 0, 0, 4, 2, 0, self.configured_mt_s,
        )  # fmt: skip
        strings = (self.locator, "BANK 0", "Kelp Memory", "KM-5600")
        return head + b"\0".join(text.encode() for text in strings) + b"\0\0"


@dataclass(frozen=True, slots=True, kw_only=True)
class Machine:
    """A whole machine."""

    ports: tuple[RootPort, ...] = ()
    switches: tuple[SwitchCard, ...] = ()
    drives: tuple[Drive, ...] = ()
    cables: tuple[Cable, ...] = ()
    smbios: tuple[str, ...] = ()
    """Firmware tables in QEMU's words: ``type=17,loc_pfx=DIMM,speed=5600``."""
    memory_modules: tuple[MemoryModule, ...] = ()
    """In place of those that QEMU would tell of."""
    command_line: tuple[str, ...] = ()
    """Words added to the kernel's command line."""
    modules: tuple[str, ...] = ("nvme",)
    """Kernel modules that the guest loads before its program starts."""
    keeps_mib: int = 0
    """The size of a disk that holds what the guest writes from one boot to the next; 0: nothing is kept."""
    parts: tuple[Part, ...] = field(default=())
    """Any other devices, in QEMU's own words."""

    def drive(self, name: str) -> Drive:
        return next(drive for drive in self.drives if drive.name == name)

    def make_images(self, folder: Path) -> None:
        for drive in self.drives:
            drive.make(folder)
        if self.keeps_mib and not (kept := _kept(folder)).exists():
            command = ["mkfs.ext4", "-q", "-E", "nodiscard", str(kept), f"{self.keeps_mib}M"]
            subprocess.run(command, check=True, capture_output=True)
        for module in self.memory_modules:
            _table(folder, module).write_bytes(module.structure())

    def arguments(self, folder: Path) -> list[str]:
        """Give QEMU's command line for the hardware, the drives' images being in `folder`."""
        # Hot removal goes through the port itself and the kernel's pciehp driver, as on real boards, not through ACPI.
        arguments = ["-M", "q35", "-global", "ICH9-LPC.acpi-pci-hotplug-with-bridge-support=off"]
        arguments += ["-m", "1536M", "-smp", "2"]
        for table in self.smbios:
            arguments += ["-smbios", table]
        for module in self.memory_modules:
            arguments += ["-smbios", f"file={_table(folder, module)}"]
        for cable in self.cables:
            for network in cable.networks():
                arguments += ["-netdev", network]
        for limit in filter(None, (drive.limit() for drive in self.drives)):
            arguments += ["-object", json.dumps(limit)]
        for drive in self.drives:
            arguments += ["-blockdev", json.dumps(drive.blocks(folder))]
        if self.keeps_mib:
            arguments += ["-drive", f"file={_kept(folder)},format=raw,if=virtio"]
        for part in self.devices():
            arguments += ["-device", json.dumps(part)]
        return arguments

    def devices(self) -> list[Part]:
        """Give every device, each after the one it is plugged into."""
        devices = [port.device() for port in self.ports]
        for switch in self.switches:
            devices += switch.devices()
        devices += [drive.device() for drive in self.drives]
        for cable in self.cables:
            devices += cable.devices()
        return [*devices, *self.parts]


def _kept(folder: Path) -> Path:
    return folder / "kept.img"


def _table(folder: Path, module: MemoryModule) -> Path:
    return folder / f"memory-{module.handle}.bin"
