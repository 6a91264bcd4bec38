"""A box with knobs that makes the kernel's files, pass by pass: sysfs, procfs and drives' pages, as a recording.

`SimulatedBox` holds ports and drives; turn its knobs, let time pass, and `RecordingWriter` writes what changed. Bus
numbers are given by walking the tree at each boot, as firmware does.
"""

import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any

from simulation.box_parts import Bond, MdArray, Module, lay_memory
from simulation.hardware import Port
from simulation.sysfs_tree import Numbering, Tree, lay_port, lay_thermometer

PATHS = ("files", "binary", "links")
"""What of a state is by path."""


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
        tree = Tree()
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
        tree.lay(dmi, (
            ("board_vendor", self.board_vendor), ("board_name", self.board_name), ("board_version", "A1"),
            ("sys_vendor", self.board_vendor), ("product_name", "M5"), ("bios_vendor", "Brackwater Firmware"),
            ("bios_version", self.bios_version), ("bios_date", self.bios_date),
        ))  # fmt: skip
        tree.dirs.add("/sys/class/nvme")
        drives = [port.drive for port in self.walk_ports() if port.drive]
        numbering = Numbering(taken=frozenset(drive.number for drive in drives if drive.number is not None))
        numbering.bus = self.first_bus
        for port in self.ports:
            lay_port(tree, numbering, port, "/sys/devices/pci0000:00", bus=0)
        for drive in drives if self.thermometers else ():
            lay_thermometer(tree, drive)
        if self.aer_native:
            for port in self.ports:
                name = f"{port.address}:pcie002"
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


class RecordingWriter:
    """Writes a box's states as frames that hold what changed."""

    def __init__(self, box: SimulatedBox) -> None:
        self._before: dict[str, dict[str, Any]] = {}
        self._boot_id = ""
        self.lines = [write_header(box)]

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
        frame |= find_changes(self._before, state)
        self._before = state
        self.lines.append(write_frame(frame | {"kmsg": kmsg, "uevents": uevents}))


def write_header(box: SimulatedBox) -> str:
    """Write a recording's first line."""
    return json.dumps({"format": "laneproof-recording", "version": 1, "host": box.name, "kernel": box.kernel})


def write_frame(frame: Mapping[str, Any]) -> str:
    """Write a line of a recording, without what is empty."""
    return json.dumps({key: value for key, value in frame.items() if value or key == "t"}, separators=(",", ":"))


def find_changes(before: dict[str, dict[str, Any]], state: dict[str, dict[str, Any]]) -> dict[str, Any]:
    """Give what of a frame says how one state of a box became the next."""
    paths = {path for key in PATHS for path in state[key]}
    old_paths = {path for key in PATHS for path in before.get(key, {})}
    frame: dict[str, Any] = {"gone": find_gone(old_paths - paths, paths)}
    for key in PATHS:
        old = before.get(key, {})
        frame[key] = {path: value for path, value in state[key].items() if old.get(path) != value}
    frame["dirs"] = [path for path in state["dirs"] if path not in before.get("dirs", {})]
    old_nvme = before.get("nvme", {})
    frame["nvme"] = {
        name: changed
        for name, entries in state["nvme"].items()
        if (changed := {k: v for k, v in entries.items() if old_nvme.get(name, {}).get(k) != v})
    } | dict.fromkeys(sorted(old_nvme.keys() - state["nvme"].keys()))
    for key in ("smartctl", "statvfs"):
        old, new = before.get(key, {}), state[key]
        changed = {name: answer for name, answer in new.items() if old.get(name) != answer}
        frame[key] = changed | dict.fromkeys(sorted(old.keys() - new.keys()))
    return frame


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
