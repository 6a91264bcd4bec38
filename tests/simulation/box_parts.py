"""What a simulated box has besides links and NVMe drives: an array, a bond of network ports, memory modules.

Each part lays itself out as the kernel does, into the files, links and binary files of a frame. They stand still: they
are whole, and stay so. Sources: Documentation/admin-guide/md.rst, Documentation/networking/bonding.rst,
Documentation/ABI/testing/sysfs-class-net, sysfs-firmware-dmi-entries; DSP0134 for the tables.
"""

import base64
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

from simulation.smbios_tables import memory_array, memory_device

_EXTENDED_SIZE = 0x7FFF  # at 0Ch of a type 17: see the extended size, in MiB


def encode(content: bytes) -> str:
    """Give bytes as a recording holds them."""
    return base64.b64encode(content).decode()


@dataclass(slots=True)
class Sheet:
    """Where a part is laid out."""

    files: dict[str, str] = field(default_factory=dict)
    binary: dict[str, str] = field(default_factory=dict)
    links: dict[str, str] = field(default_factory=dict)

    def text(self, path: str, value: str) -> None:
        """Lay a file of one line."""
        self.files[path] = f"{value}\n"

    def lay(self, folder: str, files: Iterable[tuple[str, str]]) -> None:
        """Lay some of them in a folder."""
        self.files.update({f"{folder}/{name}": f"{value}\n" for name, value in files})


@dataclass(slots=True, kw_only=True)
class MdArray:
    """An md array of whole drives, clean; its members keep their names when their drives are away for a moment."""

    name: str
    serials: tuple[str, ...]
    size_bytes: int
    level: str = "raid5"
    sync_action: str = "idle"
    names: dict[str, str] = field(default_factory=dict)  # serial -> the disk's name as it was last seen

    def lay(self, sheet: Sheet, disks: Mapping[str, str]) -> None:
        """Lay it out; `disks` are the disks' names by the drives' serial numbers."""
        self.names |= {serial: disks[serial] for serial in self.serials if serial in disks}
        folder = f"/sys/devices/virtual/block/{self.name}"
        sheet.links[f"/sys/block/{self.name}"] = f"../devices/virtual/block/{self.name}"
        sheet.text(f"{folder}/size", str(self.size_bytes // 512))
        sheet.lay(f"{folder}/md", (
            ("array_state", "clean"), ("level", self.level), ("raid_disks", str(len(self.serials))), ("degraded", "0"),
            ("sync_action", self.sync_action), ("sync_completed", "none"), ("sync_speed", "none"),
            ("mismatch_cnt", "0"), ("bitmap/location", "+8"),
        ))  # fmt: skip
        for slot, serial in enumerate(self.serials):
            if serial in self.names:
                member = f"{folder}/md/dev-{self.names[serial]}"
                sheet.lay(member, (("state", "in_sync"), ("slot", str(slot)), ("errors", "0")))
                sheet.files[f"{member}/bad_blocks"] = ""


@dataclass(slots=True, kw_only=True)
class NetworkCard:
    """A network card with one function a port."""

    names: tuple[str, ...]
    speed_mbit_s: int = 10_000
    generation: int = 3
    lanes: int = 4
    vendor: int = 0xFFF3  # not assigned to anybody when this was written
    device: int = 0x1010

    def lay_port(self, sheet: Sheet, sysfs_path: str, number: int) -> None:
        """Lay out the interface of one function, which is at `sysfs_path`."""
        name = self.names[number]
        folder = f"{sysfs_path}/net/{name}"
        sheet.links[f"/sys/class/net/{name}"] = f"../../{folder.removeprefix('/sys/')}"
        sheet.links[f"{folder}/device"] = f"../../../{sysfs_path.rpartition('/')[2]}"
        lay_interface(sheet, folder, mac=f"02:6b:65:6c:70:{number:02x}", speed_mbit_s=self.speed_mbit_s)


def lay_interface(sheet: Sheet, folder: str, *, mac: str, speed_mbit_s: int) -> None:
    """Lay out what every interface has."""
    sheet.lay(folder, (
        ("operstate", "up"), ("speed", str(speed_mbit_s)), ("duplex", "full"), ("carrier_changes", "2"),
        ("address", mac), ("statistics/rx_errors", "0"), ("statistics/tx_errors", "0"),
    ))  # fmt: skip


@dataclass(slots=True, kw_only=True)
class Bond:
    """An 802.3ad bond whose members bond."""

    name: str
    card: NetworkCard

    def lay(self, sheet: Sheet) -> None:
        """Lay it out, beside the interfaces that its card has laid."""
        folder = f"/sys/devices/virtual/net/{self.name}"
        sheet.links[f"/sys/class/net/{self.name}"] = f"../../devices/virtual/net/{self.name}"
        sheet.text("/sys/class/net/bonding_masters", self.name)
        together = self.card.speed_mbit_s * len(self.card.names)
        lay_interface(sheet, folder, mac="02:6b:65:6c:70:00", speed_mbit_s=together)
        sheet.lay(f"{folder}/bonding", (
            ("mode", "802.3ad 4"), ("slaves", " ".join(self.card.names)), ("xmit_hash_policy", "layer3+4 1"),
            ("ad_aggregator", "1"), ("ad_num_ports", str(len(self.card.names))),
            ("ad_partner_mac", "02:73:77:69:74:01"),
        ))  # fmt: skip
        for name in self.card.names:
            sysfs_path = sheet.links[f"/sys/class/net/{name}"].replace("../..", "/sys", 1)
            sheet.lay(f"{sysfs_path}/bonding_slave", (
                ("mii_status", "up"), ("ad_aggregator_id", "1"), ("link_failure_count", "0"), ("state", "active"),
            ))  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Module:
    """A memory module as the board's tables describe it."""

    locator: str
    gibibytes: int
    rated_mt_s: int
    configured_mt_s: int


def lay_memory(sheet: Sheet, modules: tuple[Module, ...]) -> None:
    """Lay out the board's table of memory."""
    if not modules:
        return
    entries = "/sys/firmware/dmi/entries"
    sheet.binary[f"{entries}/16-0/raw"] = encode(memory_array())
    for number, module in enumerate(modules):
        built = memory_device(
            size=_EXTENDED_SIZE, extended_size=module.gibibytes * 1024, rated=module.rated_mt_s,
            configured=module.configured_mt_s, locator=module.locator, rank=2,
        )  # fmt: skip
        sheet.binary[f"{entries}/17-{number}/raw"] = encode(built)
