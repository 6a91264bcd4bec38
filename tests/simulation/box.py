"""A box with knobs that makes the kernel's files, pass by pass: sysfs, procfs and drives' pages, as a recording.

`SimulatedBox` holds ports and drives; turn its knobs, let time pass, and `RecordingWriter` writes what changed. Bus
numbers are given by walking the tree at each boot, as firmware does.
"""

import base64
import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any

from simulation.box_parts import Bond, MdArray, Module, NetworkCard, lay_memory
from simulation.pages import (
    CORRECTABLE,
    GT_S,
    KELVIN,
    UNCORRECTABLE,
    Health,
    LinkSide,
    aer_text,
    autonomous_transitions,
    config_space,
    health_log,
    identify_controller,
)


class Presence(StrEnum):
    """Whether a drive is on its bus."""

    HERE = "here"
    UNBOUND = "unbound"  # on the bus, and given up by the driver
    DEAD = "dead"  # the kernel still lists its function, which answers with all ones
    AWAY = "away"


_FIRST_HWMON = 2  # the board's and the processor's chips come before
BRIDGE, NVME, NETWORK = 0x060400, 0x010802, 0x020000
ROOT_PORT, UPSTREAM, DOWNSTREAM, ENDPOINT = 4, 5, 6, 0


@dataclass(slots=True, kw_only=True)
class Drive:
    """An NVMe drive; its history goes with it from port to port."""

    serial: str
    model: str = "Fathomline Petrel 4000"
    firmware: str = "FP12"
    capacity_bytes: int = 4_000_787_030_016
    generation: int = 4
    lanes: int = 4
    warning_celsius: int = 80
    critical_celsius: int = 85
    vendor: int = 0xFFF3  # not assigned to anybody when this was written
    device: int = 0x4000
    health: Health = field(default_factory=Health)
    transitions_enabled: bool = False
    latency_tolerance: str = "0"
    health_bytes: bytes | None = None  # what log 02h reads instead of its health
    refuses_health: int | None = None  # the NVMe status with which it refuses log 02h
    stat: list[int] = field(default_factory=lambda: [0] * 11)
    counters: dict[str, int] = field(default_factory=dict)  # of this end of the link, since it was last enumerated
    has_aer: bool = True
    power_control: str = "on"
    state: str = "live"
    sleeps: bool = False  # its function is suspended
    presence: Presence = Presence.HERE
    number: int | None = None  # of its controller; None: in the order of the tree, as at boot
    sysfs_path: str = ""  # its folder in sysfs, since the box was last laid out


@dataclass(slots=True, kw_only=True)
class Port:
    """A downstream-facing port: a socket, one branch of a split slot, or the uplink of a switch card."""

    hop: str  # device.function
    generation: int = 4
    lanes: int = 4
    slot_number: int = 0
    drive: Drive | None = None
    switch: "list[Port] | None" = None
    card: NetworkCard | None = None
    target_generation: int | None = None
    wired_lanes: int | None = None  # what really connects, where that is less than both ends
    forced_generation: int | None = None  # what training reached, where that is less than both ends and the target
    forced_lanes: int | None = None  # likewise
    aspm_enabled: int = 0
    counters: dict[str, int] = field(default_factory=dict)
    has_aer: bool = True
    silent: bool = False  # the device below does not answer
    hot_plug: bool = False
    path: str = ""  # as a declaration has it
    sysfs_path: str = ""  # its folder in sysfs, since the box was last laid out

    @property
    def partner_limits(self) -> tuple[int, int] | None:
        """Generation and lanes of what is below, None where nothing trains."""
        if self.silent or (self.drive is not None and self.drive.presence in (Presence.DEAD, Presence.AWAY)):
            return None
        if self.drive is not None:
            return self.drive.generation, self.drive.lanes
        if self.card is not None:
            return self.card.generation, self.card.lanes
        return (4, 4) if self.switch is not None else None

    def train(self) -> tuple[int, int] | None:
        """Generation and lanes on which both ends agree."""
        limits = self.partner_limits
        if limits is None:
            return None
        ceiling = min(self.generation, limits[0], self.target_generation or 9, self.forced_generation or 9)
        return ceiling, min(self.lanes, limits[1], self.wired_lanes or 99, self.forced_lanes or 99)


@dataclass(slots=True, kw_only=True)
class SimulatedBox:
    """A machine: board, firmware, kernel, ports."""

    name: str = "kelp-1"
    ports: list[Port] = field(default_factory=list)
    kernel: str = "6.1.0-56-amd64"
    board_vendor: str = "Brackwater Boards"
    board_name: str = "Tidewrack M5"
    bios_version: str = "1.20"
    bios_date: str = "03/14/2026"
    command_line: str = "BOOT_IMAGE=/vmlinuz root=/dev/mapper/kelp-root ro quiet"
    aspm_policy: str = "default performance powersave powersupersave"
    chosen_policy: str = "performance"
    nvme_latency_us: int = 0
    memory_kib: int = 65_700_000
    boot_number: int = 1
    first_bus: int = 0  # how many buses other cards take before these ports
    aer_native: bool = False  # the kernel's own error reporting service shows itself
    thermometers: bool = False  # the kernel's, of its drives, were read: as they are where their logs cannot be
    extra_files: dict[str, str] = field(default_factory=dict)
    extra_links: dict[str, str] = field(default_factory=dict)
    extra_binary: dict[str, str] = field(default_factory=dict)
    smartctl: dict[str, dict[str, Any]] = field(default_factory=dict)
    statvfs: dict[str, dict[str, Any]] = field(default_factory=dict)
    arrays: list[MdArray] = field(default_factory=list)
    bonds: list[Bond] = field(default_factory=list)
    modules: tuple[Module, ...] = ()

    @property
    def boot_id(self) -> str:
        """An id for each boot."""
        return f"{self.boot_number:08x}-51ab-4c3d-9e00-6b656c702d31"

    def reboot(self) -> None:
        """Begin again: counters of the kernel begin at zero."""
        self.boot_number += 1
        for port in self.walk_ports():
            port.counters.clear()
            if port.drive:
                port.drive.counters.clear()
                port.drive.number = None
                port.drive.stat = [0] * 11

    def walk_ports(self) -> Iterator[Port]:
        """All ports, switch cards' own included."""
        waiting = list(self.ports)
        while waiting:
            port = waiting.pop(0)
            yield port
            waiting.extend(port.switch or ())

    def state(self) -> dict[str, dict[str, Any]]:
        """Everything a collector can read now, as the keys of a recording's frame."""
        tree = _Tree()
        tree.text("/proc/cmdline", self.command_line)
        tree.text("/proc/sys/kernel/osrelease", self.kernel)
        tree.text("/proc/sys/kernel/hostname", self.name)
        tree.text("/proc/sys/kernel/random/boot_id", self.boot_id)
        tree.text("/proc/meminfo", f"MemTotal:       {self.memory_kib} kB")
        policy = self.aspm_policy.replace(self.chosen_policy, f"[{self.chosen_policy}]", 1)
        tree.text("/sys/module/pcie_aspm/parameters/policy", policy)
        tree.text("/sys/module/nvme_core/parameters/default_ps_max_latency_us", str(self.nvme_latency_us))
        dmi = "/sys/devices/virtual/dmi/id"
        tree.links["/sys/class/dmi/id"] = "../../devices/virtual/dmi/id"
        for name, value in (
            ("board_vendor", self.board_vendor), ("board_name", self.board_name), ("board_version", "A1"),
            ("sys_vendor", self.board_vendor), ("product_name", "M5"), ("bios_vendor", "Brackwater Firmware"),
            ("bios_version", self.bios_version), ("bios_date", self.bios_date),
        ):  # fmt: skip
            tree.text(f"{dmi}/{name}", value)
        tree.dirs.add("/sys/class/nvme")
        drives = [port.drive for port in self.walk_ports() if port.drive]
        numbering = _Numbering(taken=frozenset(drive.number for drive in drives if drive.number is not None))
        numbering.bus = self.first_bus
        for port in self.ports:
            _lay_port(tree, numbering, port, "/sys/devices/pci0000:00", bus=0)
        for drive in drives if self.thermometers else ():
            _lay_thermometer(tree, drive)
        if self.aer_native:
            for port in self.ports:
                name = f"{port.sysfs_path.rpartition('/')[2]}:pcie002"
                tree.links[f"/sys/bus/pci_express/drivers/aer/{name}"] = f"../../../../devices/{name}"
        disks = {drive.serial: f"nvme{drive.number}n1" for drive in drives if drive.number is not None}
        for array in self.arrays:
            array.lay(tree, disks)
        for bond in self.bonds:
            bond.lay(tree)
        lay_memory(tree, self.modules)
        tree.files.update(self.extra_files)
        tree.links.update(self.extra_links)
        tree.binary.update(self.extra_binary)
        return tree.as_frame() | {"smartctl": dict(self.smartctl), "statvfs": dict(self.statvfs)}


@dataclass(slots=True)
class _Numbering:
    bus: int = 0
    controller: int = 0
    taken: frozenset[int] = frozenset()

    def next_bus(self) -> int:
        self.bus += 1
        return self.bus

    def next_controller(self) -> int:
        while self.controller in self.taken:
            self.controller += 1
        self.controller += 1
        return self.controller - 1


@dataclass(slots=True)
class _Tree:
    files: dict[str, str] = field(default_factory=dict)
    binary: dict[str, str] = field(default_factory=dict)
    links: dict[str, str] = field(default_factory=dict)
    nvme: dict[str, Any] = field(default_factory=dict)
    dirs: set[str] = field(default_factory=set)

    def text(self, path: str, value: str) -> None:
        self.files[path] = f"{value}\n"

    def as_frame(self) -> dict[str, dict[str, Any]]:
        return {
            "files": self.files,
            "binary": self.binary,
            "links": self.links,
            "nvme": self.nvme,
            "dirs": dict.fromkeys(sorted(self.dirs), True),
        }


def _lay_port(tree: _Tree, numbering: _Numbering, port: Port, parent: str, *, bus: int) -> None:
    sysfs_path = port.sysfs_path = f"{parent}/0000:{bus:02x}:{port.hop}"
    trained = port.train()
    port_type = ROOT_PORT if parent.endswith("pci0000:00") else DOWNSTREAM
    side = LinkSide(
        generation=port.generation, lanes=port.lanes, port_type=port_type, slot_number=port.slot_number,
        target_generation=port.target_generation, aspm_enabled=port.aspm_enabled, aspm_supported=2,
        counters=port.counters, has_aer=port.has_aer,
    )  # fmt: skip
    _set_trained(side, trained)
    _lay_function(
        tree, sysfs_path, side, vendor=0xFFF3, device=0x1000 + port_type, class_code=BRIDGE, driver="pcieport"
    )
    below = numbering.next_bus()
    if port.drive is not None and port.drive.presence is Presence.DEAD:
        _lay_dead_function(tree, port.drive, f"{sysfs_path}/0000:{below:02x}:00.0")
    if trained is None:
        return
    if port.drive is not None:
        _lay_drive(tree, numbering, port.drive, f"{sysfs_path}/0000:{below:02x}:00.0", trained)
    elif port.card is not None:
        _lay_card(tree, port.card, f"{sysfs_path}/0000:{below:02x}:00", trained)
    elif port.switch is not None:
        upstream = f"{sysfs_path}/0000:{below:02x}:00.0"
        up = LinkSide(generation=4, lanes=4, port_type=UPSTREAM, has_aer=port.has_aer)
        _set_trained(up, trained)
        _lay_function(tree, upstream, up, vendor=0xFFF3, device=0x2000, class_code=BRIDGE, driver="pcieport")
        inner = numbering.next_bus()
        for child in port.switch:
            _lay_port(tree, numbering, child, upstream, bus=inner)


def _set_trained(side: LinkSide, trained: tuple[int, int] | None) -> None:
    if trained is not None:
        side.trained_generation, side.trained_lanes = trained


def _lay_function(  # noqa: PLR0913 (what a function is)
    tree: _Tree,
    sysfs_path: str,
    side: LinkSide,
    *,
    vendor: int,
    device: int,
    class_code: int,
    driver: str | None,
    control: str = "on",
    sleeps: bool = False,
) -> None:
    address = sysfs_path.rpartition("/")[2]
    depth = "../../../"
    tree.links[f"/sys/bus/pci/devices/{address}"] = f"{depth}{sysfs_path.removeprefix('/sys/')}"
    if driver is not None:
        tree.links[f"{sysfs_path}/driver"] = f"../../../../bus/pci/drivers/{driver}"
    own, now = GT_S[side.generation], GT_S.get(side.trained_generation or 0)
    for name, value in (
        ("vendor", f"0x{vendor:04x}"), ("device", f"0x{device:04x}"), ("class", f"0x{class_code:06x}"),
        ("subsystem_vendor", f"0x{vendor:04x}"), ("subsystem_device", "0x0001"), ("revision", "0x01"),
        ("max_link_speed", f"{own:.1f} GT/s PCIe"), ("max_link_width", str(side.lanes)),
        ("current_link_speed", f"{now or 2.5:.1f} GT/s PCIe"), ("current_link_width", str(side.trained_lanes)),
        ("power/control", control), ("d3cold_allowed", "1"), *describe_sleep(sleeps=sleeps),
    ):  # fmt: skip
        tree.text(f"{sysfs_path}/{name}", value)
    space = config_space(vendor=vendor, device=device, class_code=class_code, bridge=class_code == BRIDGE, link=side)
    tree.binary[f"{sysfs_path}/config"] = base64.b64encode(space[:0x160]).decode()
    if side.has_aer:
        tree.files[f"{sysfs_path}/aer_dev_correctable"] = aer_text(CORRECTABLE, "TOTAL_ERR_COR", side.counters)
        tree.files[f"{sysfs_path}/aer_dev_nonfatal"] = aer_text(UNCORRECTABLE, "TOTAL_ERR_NONFATAL", {})
        tree.files[f"{sysfs_path}/aer_dev_fatal"] = aer_text(UNCORRECTABLE, "TOTAL_ERR_FATAL", {})
        if side.port_type == ROOT_PORT:
            for kind in ("cor", "nonfatal", "fatal"):
                tree.text(f"{sysfs_path}/aer_rootport_total_err_{kind}", "0")


def _lay_card(tree: _Tree, card: NetworkCard, sysfs_path: str, trained: tuple[int, int]) -> None:
    for number in range(len(card.names)):
        side = LinkSide(generation=card.generation, lanes=card.lanes, port_type=ENDPOINT, has_aer=True)
        _set_trained(side, trained)
        function = f"{sysfs_path}.{number}"
        _lay_function(
            tree, function, side, vendor=card.vendor, device=card.device, class_code=NETWORK, driver="station_net"
        )
        card.lay_port(tree, function, number)


def describe_sleep(*, sleeps: bool) -> tuple[tuple[str, str], tuple[str, str]]:
    """Give the two files that say whether a function is suspended."""
    return ("power_state", "D3hot" if sleeps else "D0"), ("power/runtime_status", "suspended" if sleeps else "active")


def _lay_dead_function(tree: _Tree, drive: Drive, sysfs_path: str) -> None:
    """A device gone from the bus behind a port without hot plug: the kernel keeps its folder, reads give all ones."""
    drive.sysfs_path = sysfs_path
    address = sysfs_path.rpartition("/")[2]
    tree.links[f"/sys/bus/pci/devices/{address}"] = f"../../../{sysfs_path.removeprefix('/sys/')}"
    for name, value in (
        ("vendor", f"0x{drive.vendor:04x}"), ("device", f"0x{drive.device:04x}"), ("class", f"0x{NVME:06x}"),
        ("subsystem_vendor", f"0x{drive.vendor:04x}"), ("subsystem_device", "0x0001"), ("revision", "0x01"),
        ("max_link_speed", "Unknown"), ("max_link_width", "63"),
        ("current_link_speed", "Unknown"), ("current_link_width", "63"),
        ("power_state", "D0"), ("power/control", "on"), ("power/runtime_status", "active"), ("d3cold_allowed", "1"),
    ):  # fmt: skip
        tree.text(f"{sysfs_path}/{name}", value)
    tree.binary[f"{sysfs_path}/config"] = encode(b"\xff" * 0x160)


def _lay_drive(tree: _Tree, numbering: _Numbering, drive: Drive, sysfs_path: str, trained: tuple[int, int]) -> None:
    drive.sysfs_path = sysfs_path
    unbound = drive.presence is Presence.UNBOUND
    if drive.number is None and not unbound:
        drive.number = numbering.next_controller()
    name = f"nvme{drive.number}"
    side = LinkSide(
        generation=drive.generation, lanes=drive.lanes, port_type=ENDPOINT, counters=drive.counters,
        has_aer=drive.has_aer, aspm_supported=2,
    )  # fmt: skip
    _set_trained(side, trained)
    _lay_function(
        tree,
        sysfs_path,
        side,
        vendor=drive.vendor,
        device=drive.device,
        class_code=NVME,
        driver=None if unbound else "nvme",
        control=drive.power_control,
        sleeps=drive.sleeps,
    )
    if unbound:
        return
    controller = f"{sysfs_path}/nvme/{name}"
    tree.links[f"/sys/class/nvme/{name}"] = f"../../{controller.removeprefix('/sys/')}"
    for attribute, value in (
        ("model", drive.model.ljust(40)), ("serial", drive.serial.ljust(20)), ("firmware_rev", drive.firmware.ljust(8)),
        ("state", drive.state), ("transport", "pcie"), ("address", sysfs_path.rpartition("/")[2]), ("cntlid", "1"),
        ("queue_count", "9"), ("sqsize", "1023"), ("power/pm_qos_latency_tolerance_us", drive.latency_tolerance),
    ):  # fmt: skip
        tree.text(f"{controller}/{attribute}", value)
    disk = f"{controller}/{name}n1"
    tree.links[f"/sys/block/{name}n1"] = f"../{disk.removeprefix('/sys/')}"
    tree.text(f"{disk}/size", str(drive.capacity_bytes // 512))
    tree.text(f"{disk}/nsid", "1")
    tree.text(f"{disk}/queue/logical_block_size", "512")
    tree.text(f"{disk}/queue/rotational", "0")
    tree.text(f"{disk}/wwid", f"eui.{abs(hash_text(drive.serial)):016x}")
    tree.text(f"{disk}/stat", " ".join(f"{count:8d}" for count in drive.stat))
    bits, data = autonomous_transitions(enabled=drive.transitions_enabled)
    tree.nvme[name] = {
        "identify": encode(
            identify_controller(
                serial=drive.serial, model=drive.model, firmware=drive.firmware, capacity_bytes=drive.capacity_bytes,
                vendor=drive.vendor, warning_celsius=drive.warning_celsius, critical_celsius=drive.critical_celsius,
            )
        ),
        "log:2": health_entry(drive),
        "feature:12": bits,
        "feature:12:data": encode(data),
    }  # fmt: skip


def thermometer_folder(drive: Drive) -> str:
    """Give the folder of the kernel's thermometer of a drive, which the driver registers below the controller."""
    return f"{drive.sysfs_path}/nvme/nvme{drive.number}/hwmon{(drive.number or 0) + _FIRST_HWMON}"


def thermometer_readings(drive: Drive) -> dict[str, str]:
    """Give what moves of it: the drive's whole kelvin in the kernel's thousandths, and its own alarm of heat.

    Source: kernel drivers/nvme/host/hwmon.c, ``nvme_hwmon_read``; include/linux/units.h, ``kelvin_to_millicelsius``.
    """
    health = drive.health
    return {
        "temp1_input": f"{_millicelsius(round(health.temperature_celsius))}\n",
        "temp1_alarm": f"{health.critical_warning >> 1 & 1}\n",
    }


def _millicelsius(celsius: int) -> int:
    return (celsius + KELVIN) * 1000 - 273_150


def _lay_thermometer(tree: _Tree, drive: Drive) -> None:
    # The driver registers none where the drive refuses the log on which it draws.
    if drive.number is None or drive.presence is not Presence.HERE or drive.refuses_health is not None:
        return
    folder = thermometer_folder(drive)
    name = folder.rpartition("/")[2]
    tree.links[f"/sys/class/hwmon/{name}"] = f"../../{folder.removeprefix('/sys/')}"
    for file, value in (("name", "nvme"), ("temp1_label", "Composite"), ("temp1_min", "-273150")):
        tree.text(f"{folder}/{file}", value)
    for file, celsius in (("temp1_max", drive.warning_celsius), ("temp1_crit", drive.critical_celsius)):
        if celsius:
            tree.text(f"{folder}/{file}", str(_millicelsius(celsius)))
    tree.files.update({f"{folder}/{file}": text for file, text in thermometer_readings(drive).items()})


def health_entry(drive: Drive) -> str | dict[str, int]:
    """Give log 02h as a recording holds it."""
    if drive.refuses_health is not None:
        return {"status": drive.refuses_health}
    return encode(drive.health_bytes or health_log(drive.health))


def hash_text(text: str) -> int:
    """A number from a text, the same in each run."""
    number = 0
    for byte in text.encode():
        number = (number * 131 + byte) % (1 << 63)
    return number


def encode(content: bytes) -> str:
    """Give bytes as a recording holds them."""
    return base64.b64encode(content).decode()


class RecordingWriter:
    """Writes a box's states as frames that hold what changed."""

    def __init__(self, box: SimulatedBox) -> None:
        self._before: dict[str, dict[str, Any]] = {}
        self._boot_id = ""
        self.lines = [
            json.dumps({"format": "laneproof-recording", "version": 1, "host": box.name, "kernel": box.kernel})
        ]

    def take(
        self,
        box: SimulatedBox,
        *,
        t: float,
        up: float,
        kmsg: tuple[str, ...] = (),
        uevents: tuple[Mapping[str, str], ...] = (),
    ) -> None:
        """Write one frame of the box as it stands."""
        state = box.state()
        frame: dict[str, Any] = {"t": t, "up": up}
        if box.boot_id != self._boot_id:
            self._boot_id = frame["boot_id"] = box.boot_id
            self._before = {}
        before = self._before
        paths = {path for key in ("files", "binary", "links") for path in state[key]}
        old_paths = {path for key in ("files", "binary", "links") for path in before.get(key, {})}
        frame["gone"] = find_gone(old_paths - paths, paths)
        for key in ("files", "binary", "links"):
            old = before.get(key, {})
            frame[key] = {path: value for path, value in state[key].items() if old.get(path) != value}
        frame["dirs"] = [path for path in state["dirs"] if path not in before.get("dirs", {})]
        frame["nvme"] = {
            name: changed
            for name, entries in state["nvme"].items()
            if (changed := {k: v for k, v in entries.items() if before.get("nvme", {}).get(name, {}).get(k) != v})
        } | dict.fromkeys(before.get("nvme", {}).keys() - state["nvme"].keys())
        frame["kmsg"], frame["uevents"] = list(kmsg), [dict(event) for event in uevents]
        self._before = state
        self.lines.append(
            json.dumps({key: value for key, value in frame.items() if value or key == "t"}, separators=(",", ":"))
        )


def find_gone(gone: set[str], left: set[str]) -> list[str]:
    """Name folders instead of each path in them, where nothing of a folder is left."""
    standing: set[str] = set()
    for path in left:
        parent = path.rpartition("/")[0]
        while parent and parent not in standing:
            standing.add(parent)
            parent = parent.rpartition("/")[0]
    tops: set[str] = set()
    for path in gone:
        top = path
        while (parent := top.rpartition("/")[0]) and parent not in standing:
            top = parent
        tops.add(top)
    return sorted(tops)
