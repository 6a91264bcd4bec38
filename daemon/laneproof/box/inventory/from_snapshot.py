"""Makes the inventory of a snapshot: what is worth keeping of its facts."""

from collections.abc import Iterator, Mapping
from operator import attrgetter
from typing import Any

from laneproof.box.inventory.inventory import (
    Inventory,
    KeptArray,
    KeptBond,
    KeptDevice,
    KeptFirmware,
    KeptInterface,
    KeptLink,
    KeptMember,
    KeptMemory,
    KeptModule,
    KeptPort,
    KeptPosition,
    KeptSettings,
)
from laneproof.box.link_ends import registers_of
from laneproof.box.occupants import Occupant, name_by_ids
from laneproof.box.shown_positions import RateAndLanes, join_rate_and_lanes, list_shown_paths, show_position
from laneproof.box.topology import Topology, topology_of
from laneproof.declaration.build import Build
from laneproof_collectors.snapshot import Array, Setting, Snapshot
from laneproof_collectors.unread import Unread

_LOST_STATES = frozenset({"faulty", "missing"})  # Documentation/admin-guide/md.rst, dev-*/state; fs/btrfs/sysfs.c
_LOW_POWER_STATES = {0: "off", 1: "L0s", 2: "L1", 3: "L0s and L1"}  # pci_regs.h, PCI_EXP_LNKCTL_ASPMC


def make_inventory(build: Build | None, snapshot: Snapshot) -> Inventory:
    """Make the inventory of a snapshot.

    Args:
        build: The declaration, for the positions' labels; None where there is none.
        snapshot: The facts.
    """
    tree = topology_of(snapshot)
    shown = list_shown_paths(build, tree)
    return Inventory(
        firmware=_make_firmware(snapshot),
        positions=tuple(_make_position(path, build, tree) for path in shown),
        ports=None if tree.unread else tuple(_list_ports(tree)),
        devices=None if tree.unread else tuple(_list_devices(build, tree, set(shown))),
        settings=_make_settings(snapshot),
        arrays=_list_arrays(snapshot, tree),
        memory=_make_memory(snapshot),
        interfaces=_list_interfaces(snapshot, tree),
        bonds=_list_bonds(snapshot),
        unread=dict(_list_unread(snapshot)),
    )


def label_positions(inventory: Inventory, build: Build | None) -> Inventory:
    """Give the positions of an inventory the labels of a declaration, where there is one."""
    labels = {position.path: position.label for position in build.position} if build else {}
    if not labels:
        return inventory

    def label(positions: tuple[KeptPosition, ...] | None) -> tuple[KeptPosition, ...] | None:
        if positions is None:
            return None
        return tuple(kept.model_copy(update={"position": labels.get(kept.path, kept.position)}) for kept in positions)

    return inventory.model_copy(update={"positions": label(inventory.positions), "devices": label(inventory.devices)})


# --- positions, ports, devices ----------------------------------------------------------------------------------------


def _make_position(path: str, build: Build | None, tree: Topology) -> KeptPosition:
    shown = show_position(path, build, tree)
    return KeptPosition(
        path=path,
        position=shown.label,
        declared=_make_link(shown.declared),
        trained=_make_link(shown.trained),
        capable=_make_link(shown.capable),
        occupant=_make_device(shown.occupant) if shown.occupant else None,
    )


def _make_link(width: RateAndLanes | None) -> KeptLink | None:
    if width is None:
        return None
    rate = None if width.gt_s is None else width.gt_s * 1e9
    return KeptLink(generation=width.generation, lanes=width.lanes, transfers_per_second=rate)


def _make_device(occupant: Occupant) -> KeptDevice:
    return KeptDevice(
        kind=_text(occupant.kind),
        name=occupant.name,
        model=_text(occupant.model),
        serial=_text(occupant.serial),
        firmware=_text(occupant.firmware),
        capacity_bytes=_number(occupant.capacity_bytes),
        ids=_text(name_by_ids(occupant.functions[0])) if occupant.functions else None,
        drive=occupant.is_drive,
        disks=occupant.disks,
        answers=occupant.answers or occupant.asleep,
    )


def _list_ports(tree: Topology) -> Iterator[KeptPort]:
    for path, function in sorted(tree.functions.items(), key=lambda item: item[0].split("/")):
        link = tree.link_at(path) if tree.is_downstream_facing(function) else None
        if link is None:
            continue
        registers = registers_of(function)
        target = link.target_gt_s
        yield KeptPort(
            path=path,
            capable=_make_link(join_rate_and_lanes(link.port_gt_s.value, link.port_lanes.value)),
            target_transfers_per_second=target * 1e9 if isinstance(target, int | float) else None,
            low_power_states=name_low_power_states(registers.aspm_enabled if registers else None),
        )


def name_low_power_states(enabled: int | None) -> str | None:
    """Name the link states (ASPM) of a bit field: 1 L0s, 2 L1; None where it is not known."""
    return None if enabled is None else _LOW_POWER_STATES.get(enabled)


def _list_devices(build: Build | None, tree: Topology, shown: set[str]) -> Iterator[KeptPosition]:
    """Give the devices that are in none of the shown positions: network cards, controllers, what the board carries."""
    paths = {
        function.path if len(function.hops) > 1 else function.own_path
        for function in tree.functions.values()
        if not function.is_bridge
    }
    for path in sorted(paths - shown, key=lambda path: path.split("/")):
        yield _make_position(path, build, tree)


# --- the rest of the box ----------------------------------------------------------------------------------------------


def _make_firmware(snapshot: Snapshot) -> KeptFirmware | None:
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


def _make_settings(snapshot: Snapshot) -> KeptSettings | None:
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


def _list_arrays(snapshot: Snapshot, tree: Topology) -> tuple[KeptArray, ...] | None:
    if isinstance(snapshot.arrays, Unread):
        return None
    homes = {disk: occupant for occupant in tree.drive_occupants() for disk in occupant.disks}
    return tuple(_make_array(array, homes) for array in sorted(snapshot.arrays, key=attrgetter("name")))


def _make_array(array: Array, homes: Mapping[str, Occupant]) -> KeptArray:
    members = []
    for member in sorted(array.members, key=lambda member: (member.slot is None, member.slot, member.name)):
        home = homes.get(member.disk)
        lost = isinstance(member.state, str) and not _LOST_STATES.isdisjoint(member.state.split(","))
        serial, path = (_text(home.serial), home.path) if home else (None, None)
        members.append(KeptMember(name=member.name, serial=serial, path=path, slot=member.slot, lost=lost))
    return KeptArray(
        name=array.name,
        kind=array.kind,
        level=_text(array.level),
        size_bytes=_number(array.size_bytes),
        missing_members=_number(array.degraded),
        members=tuple(members),
    )


def _make_memory(snapshot: Snapshot) -> KeptMemory | None:
    memory = snapshot.memory
    if isinstance(memory, Unread):
        return None
    if isinstance(memory.modules, Unread):
        return KeptMemory(total_bytes=_number(memory.total_bytes), modules=None)
    modules = tuple(KeptModule.model_validate(module, from_attributes=True) for module in memory.modules)
    return KeptMemory(total_bytes=_number(memory.total_bytes), modules=modules)


def _list_interfaces(snapshot: Snapshot, tree: Topology) -> tuple[KeptInterface, ...] | None:
    if isinstance(snapshot.interfaces, Unread):
        return None
    paths: dict[str | None, str] = {function.address: function.own_path for function in tree.functions.values()}
    return tuple(
        KeptInterface(name=port.name, path=paths.get(port.address), speed_mbit_s=_number(port.speed_mbit_s))
        for port in sorted(snapshot.interfaces, key=attrgetter("name"))
    )


def _list_bonds(snapshot: Snapshot) -> tuple[KeptBond, ...] | None:
    if isinstance(snapshot.bonds, Unread):
        return None
    return tuple(
        KeptBond(name=bond.name, mode=_text(bond.mode), members=tuple(sorted(m.name for m in bond.members)))
        for bond in sorted(snapshot.bonds, key=attrgetter("name"))
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
    "bonds": "bonds",
}
"""The snapshot's groups, and the parts of an inventory that come of them."""
_SETTINGS = {
    "command_line": "command_line",
    "aspm_policy": "aspm_policy",
    "nvme_default_ps_max_latency_us": "nvme_max_latency_us",
    "port_power_management": "port_power_management",
    "error_reporting": "aer_owner",
}
"""An inventory's settings, and the facts that they come of."""


def _list_unread(snapshot: Snapshot) -> Iterator[tuple[str, str]]:
    for group, part in _PARTS.items():
        value: Any = getattr(snapshot, group)
        if isinstance(value, Unread):
            yield part, str(value)
    if not isinstance(snapshot.memory, Unread) and isinstance(snapshot.memory.modules, Unread):
        yield "memory.modules", str(snapshot.memory.modules)
    for name, fact in _SETTINGS.items() if not isinstance(snapshot.power, Unread) else ():
        if isinstance(setting := getattr(snapshot.power, fact), Unread):
            yield f"settings.{name}", str(setting)


def _text(value: object) -> str | None:
    return value if isinstance(value, str) else None


def _number(value: object) -> int | None:
    return value if isinstance(value, int) else None


def _value(setting: Setting | Unread | None) -> str | None:
    return setting.value if isinstance(setting, Setting) else None
