"""What a box holds at one moment, as a value that can be kept: in the audit's JSON, and in the daemon's history.

Rules of this module: only what stays put between two looks is in it (no counts, no temperatures, no states that come
and go), so that two inventories differ only where something changed. What could not be read is null, and `unread` says
why for whole parts; null is never taken for "not there". What it does not do: compare (see ``changes.py``).
"""

from collections.abc import Iterator, Mapping
from typing import Any

from pydantic import BaseModel, ConfigDict, Field

from laneproof.build.declaration import Build, LinkPlan
from laneproof.link_ends import registers_of
from laneproof.links import generation_at
from laneproof.occupants import Occupant
from laneproof.topology import Topology, survey
from laneproof_collectors.snapshot import Array, PciFunction, Setting, Snapshot
from laneproof_collectors.unread import Unread

_LOST_STATES = frozenset({"faulty", "missing"})  # Documentation/admin-guide/md.rst, dev-*/state; fs/btrfs/sysfs.c
_LOW_POWER_STATES = {0: "off", 1: "L0s", 2: "L1", 3: "L0s and L1"}  # pci_regs.h, PCI_EXP_LNKCTL_ASPMC


class _Kept(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class KeptLink(_Kept):
    """One link; null where it is not known."""

    generation: int | None
    lanes: int | None
    transfers_per_second: float | None

    def __str__(self) -> str:
        """Give ``gen4 x4``; a part that is not known is a question mark."""
        lanes = f"x{self.lanes if self.lanes is not None else '?'}"
        if self.generation is None and self.transfers_per_second is not None:
            return f"{self.transfers_per_second / 1e9:g}GT/s {lanes}"
        return f"gen{self.generation or '?'} {lanes}"


class KeptDevice(_Kept):
    """The device in a place."""

    kind: str | None
    name: str
    model: str | None
    serial: str | None
    firmware: str | None
    capacity_bytes: int | None
    drive: bool = Field(default=True, description="whether it stores data itself (a controller does not)")
    disks: tuple[str, ...] = Field(default=(), description="the kernel's disks on it")
    answers: bool = Field(default=True, description="false: the kernel still lists it, but it is gone from the bus")


class KeptPlace(_Kept):
    """One place of the tree."""

    path: str
    position: str | None
    declared: KeptLink | None
    trained: KeptLink | None
    capable: KeptLink | None
    occupant: KeptDevice | None


class KeptPort(_Kept):
    """A downstream-facing port and what is set at it."""

    path: str
    capable: KeptLink | None
    target_transfers_per_second: float | None = Field(description="the rate that it aims at (Link Control 2)")
    low_power_states: str | None = Field(description="link states (ASPM) enabled at it: off, L0s, L1, L0s and L1")


class KeptFirmware(_Kept):
    """Board, firmware and kernel."""

    board: str | None
    bios_version: str | None
    bios_date: str | None
    kernel: str | None
    boot_id: str | None


class KeptSettings(_Kept):
    """The kernel's own power settings in force."""

    command_line: tuple[str, ...] | None
    aspm_policy: str | None
    nvme_default_ps_max_latency_us: str | None
    port_power_management: str | None
    error_reporting: str | None = Field(description="who owns it (AER): os or off")


class KeptMember(_Kept):
    """One device of an array."""

    name: str
    serial: str | None
    path: str | None
    slot: int | None
    lost: bool


class KeptArray(_Kept):
    """One array."""

    name: str
    kind: str
    level: str | None
    size_bytes: int | None
    missing_members: int | None
    members: tuple[KeptMember, ...]


class KeptModule(_Kept):
    """One memory module."""

    locator: str
    size_bytes: int | None
    part: str
    rated_mt_s: int | None
    configured_mt_s: int | None


class KeptMemory(_Kept):
    """The memory."""

    total_bytes: int | None
    modules: tuple[KeptModule, ...] | None


class KeptInterface(_Kept):
    """One network interface with a device behind it."""

    name: str
    path: str | None
    speed_mbit_s: int | None


class KeptAggregate(_Kept):
    """One bond."""

    name: str
    mode: str | None
    members: tuple[str, ...]


class Inventory(_Kept):
    """What the box holds. A part that is null was not read, or is from before that part was kept."""

    firmware: KeptFirmware | None
    places: tuple[KeptPlace, ...]
    ports: tuple[KeptPort, ...] | None = None
    devices: tuple[KeptPlace, ...] | None = Field(default=None, description="what is in no place above: cards, chips")
    settings: KeptSettings | None = None
    arrays: tuple[KeptArray, ...] | None = None
    memory: KeptMemory | None = None
    interfaces: tuple[KeptInterface, ...] | None = None
    aggregates: tuple[KeptAggregate, ...] | None = None
    unread: dict[str, str] = Field(default_factory=dict, description="part that could not be read -> why")


def take_inventory(build: Build | None, snapshot: Snapshot) -> Inventory:
    """Take the inventory of one look.

    Args:
        build: The declaration, for the positions' labels; None where there is none.
        snapshot: The facts.
    """
    tree = survey(snapshot)
    shown = list_shown_paths(build, tree)
    return Inventory(
        firmware=_keep_firmware(snapshot),
        places=tuple(_keep_place(path, build, tree) for path in shown),
        ports=None if tree.unread else tuple(_keep_ports(tree)),
        devices=None if tree.unread else tuple(_keep_devices(build, tree, set(shown))),
        settings=_keep_settings(snapshot),
        arrays=_keep_arrays(snapshot, tree),
        memory=_keep_memory(snapshot),
        interfaces=_keep_interfaces(snapshot, tree),
        aggregates=_keep_aggregates(snapshot),
        unread=dict(_list_unread(snapshot)),
    )


# --- places, ports, devices -------------------------------------------------------------------------------------------


def list_shown_paths(build: Build | None, tree: Topology) -> tuple[str, ...]:
    """List what a person wants to see of the tree: positions, drives, and the ports on the way to them; by path."""
    shown = {one.path for one in build.position} if build else set()
    shown |= {one.path for one in tree.drive_occupants()}
    shown |= {prefix for path in tuple(shown) for prefix in _prefixes(path) if prefix in tree.functions}
    return tuple(sorted(shown, key=lambda path: path.split("/")))


def _prefixes(path: str) -> Iterator[str]:
    root, *hops = path.split("/")
    for depth in range(1, len(hops)):
        yield "/".join((root, *hops[:depth]))


def _keep_place(path: str, build: Build | None, tree: Topology) -> KeptPlace:
    position = build.position_at(path) if build else None
    link = tree.link_at(path)
    linked = link if link and link.device else None
    holds_device = path not in tree.below or any(not one.is_bridge for one in tree.functions_at(path))
    occupant = tree.occupant_at(path) if holds_device else None
    return KeptPlace(
        path=path,
        position=position.label if position else None,
        declared=_keep_plan(position.link) if position and position.link else None,
        trained=_keep_link(linked.trained_gt_s.value, linked.trained_lanes.value) if linked else None,
        capable=_keep_link(linked.capable_gt_s, linked.capable_lanes) if linked else None,
        occupant=_keep_device(occupant) if occupant else None,
    )


def _keep_plan(plan: LinkPlan) -> KeptLink:
    return KeptLink(generation=plan.generation, lanes=plan.lanes, transfers_per_second=None)


def _keep_link(gt_s: float | Unread | None, lanes: float | Unread | None) -> KeptLink:
    rate = gt_s if isinstance(gt_s, int | float) else None
    return KeptLink(
        generation=generation_at(rate) if rate is not None else None,
        lanes=int(lanes) if isinstance(lanes, int | float) else None,
        transfers_per_second=None if rate is None else rate * 1e9,
    )


def _keep_device(occupant: Occupant) -> KeptDevice:
    return KeptDevice(
        kind=_text(occupant.kind),
        name=occupant.name,
        model=_text(occupant.model),
        serial=_text(occupant.serial),
        firmware=_text(occupant.firmware),
        capacity_bytes=_number(occupant.capacity_bytes),
        drive=occupant.is_drive,
        disks=occupant.disks,
        answers=occupant.answers or occupant.asleep,
    )


def _keep_ports(tree: Topology) -> Iterator[KeptPort]:
    for path, function in sorted(tree.functions.items(), key=lambda one: one[0].split("/")):
        link = tree.link_at(path) if tree.is_downstream_facing(function) else None
        if link is None:
            continue
        registers = registers_of(function)
        target = link.target_gt_s
        yield KeptPort(
            path=path,
            capable=_keep_link(link.port_gt_s.value, link.port_lanes.value),
            target_transfers_per_second=target * 1e9 if isinstance(target, int | float) else None,
            low_power_states=_LOW_POWER_STATES.get(registers.aspm_enabled) if registers else None,
        )


def _keep_devices(build: Build | None, tree: Topology, shown: set[str]) -> Iterator[KeptPlace]:
    """Give the devices that are in none of the shown places: network cards, controllers, what the board carries."""
    paths = {one.path if len(one.hops) > 1 else one.own_path for one in tree.functions.values() if not one.is_bridge}
    for path in sorted(paths - shown, key=lambda one: one.split("/")):
        yield _keep_place(path, build, tree)


# --- the rest of the box ----------------------------------------------------------------------------------------------


def _keep_firmware(snapshot: Snapshot) -> KeptFirmware | None:
    firmware = snapshot.firmware
    if isinstance(firmware, Unread):
        return None
    return KeptFirmware(
        board=_text(firmware.board_name),
        bios_version=_text(firmware.bios_version),
        bios_date=_text(firmware.bios_date),
        kernel=_text(firmware.kernel_release),
        boot_id=_text(firmware.boot_id),
    )


def _keep_settings(snapshot: Snapshot) -> KeptSettings | None:
    power = snapshot.power
    if isinstance(power, Unread):
        return None
    return KeptSettings(
        command_line=None if isinstance(power.command_line, Unread) else power.command_line,
        aspm_policy=_value(power.aspm_policy),
        nvme_default_ps_max_latency_us=_value(power.nvme_max_latency_us),
        port_power_management=_value(power.port_power_management),
        error_reporting=_value(power.aer_owner),
    )


def _keep_arrays(snapshot: Snapshot, tree: Topology) -> tuple[KeptArray, ...] | None:
    if isinstance(snapshot.arrays, Unread):
        return None
    homes = {disk: occupant for occupant in tree.drive_occupants() for disk in occupant.disks}
    return tuple(_keep_array(one, homes) for one in sorted(snapshot.arrays, key=lambda one: one.name))


def _keep_array(array: Array, homes: Mapping[str, Occupant]) -> KeptArray:
    members = []
    for one in sorted(array.members, key=lambda one: (one.slot is None, one.slot, one.name)):
        home = homes.get(one.disk)
        lost = isinstance(one.state, str) and not _LOST_STATES.isdisjoint(one.state.split(","))
        serial, path = (_text(home.serial), home.path) if home else (None, None)
        members.append(KeptMember(name=one.name, serial=serial, path=path, slot=one.slot, lost=lost))
    return KeptArray(
        name=array.name,
        kind=array.kind,
        level=_text(array.level),
        size_bytes=_number(array.size_bytes),
        missing_members=_number(array.degraded),
        members=tuple(members),
    )


def _keep_memory(snapshot: Snapshot) -> KeptMemory | None:
    memory = snapshot.memory
    if isinstance(memory, Unread):
        return None
    if isinstance(memory.modules, Unread):
        return KeptMemory(total_bytes=_number(memory.total_bytes), modules=None)
    modules = tuple(
        KeptModule(
            locator=one.locator,
            size_bytes=one.size_bytes,
            part=one.part,
            rated_mt_s=one.rated_mt_s,
            configured_mt_s=one.configured_mt_s,
        )
        for one in memory.modules
    )
    return KeptMemory(total_bytes=_number(memory.total_bytes), modules=modules)


def _keep_interfaces(snapshot: Snapshot, tree: Topology) -> tuple[KeptInterface, ...] | None:
    if isinstance(snapshot.interfaces, Unread):
        return None
    functions: dict[str, PciFunction] = {one.address: one for one in tree.functions.values()}
    found = []
    for one in sorted(snapshot.interfaces, key=lambda one: one.name):
        function = functions.get(one.address) if one.address else None
        speed = _number(one.speed_mbit_s)
        found.append(KeptInterface(name=one.name, path=function.own_path if function else None, speed_mbit_s=speed))
    return tuple(found)


def _keep_aggregates(snapshot: Snapshot) -> tuple[KeptAggregate, ...] | None:
    if isinstance(snapshot.aggregates, Unread):
        return None
    return tuple(
        KeptAggregate(name=one.name, mode=_text(one.mode), members=tuple(sorted(m.name for m in one.members)))
        for one in sorted(snapshot.aggregates, key=lambda one: one.name)
    )


# --- what could not be read -------------------------------------------------------------------------------------------

_PARTS = {
    "functions": "places",
    "controllers": "drives.nvme",
    "drives": "drives.other",
    "power": "settings",
    "firmware": "firmware",
    "arrays": "arrays",
    "memory": "memory",
    "interfaces": "interfaces",
    "aggregates": "aggregates",
}
"""The snapshot's groups, and the parts of an inventory that come of them."""


def _list_unread(snapshot: Snapshot) -> Iterator[tuple[str, str]]:
    for group, part in _PARTS.items():
        value: Any = getattr(snapshot, group)
        if isinstance(value, Unread):
            yield part, str(value)
    if not isinstance(snapshot.memory, Unread) and isinstance(snapshot.memory.modules, Unread):
        yield "memory.modules", str(snapshot.memory.modules)
    power = snapshot.power
    if isinstance(power, Unread):
        return
    for name, setting in (
        ("command_line", power.command_line),
        ("aspm_policy", power.aspm_policy),
        ("nvme_default_ps_max_latency_us", power.nvme_max_latency_us),
        ("port_power_management", power.port_power_management),
        ("error_reporting", power.aer_owner),
    ):
        if isinstance(setting, Unread):
            yield f"settings.{name}", str(setting)


def _text(value: object) -> str | None:
    return value if isinstance(value, str) else None


def _number(value: object) -> int | None:
    return value if isinstance(value, int) else None


def _value(setting: Setting | Unread | None) -> str | None:
    return setting.value if isinstance(setting, Setting) else None
