"""A machine as it stands, in the declaration's own keys: what could be read, and a remark for what could not."""

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from typing import TypeVar

from laneproof.box.idle_states import enters_idle_states
from laneproof.box.topology import Topology, topology_of
from laneproof.declaration.kernel_words import ASPM_OFF_COSTS, is_aspm_off, parse_bond_mode, parse_level
from laneproof.declaration.units import format_bytes
from laneproof.draft.positions import (
    DraftedPosition,
    DraftedSlot,
    EmptyPort,
    clean_text,
    draft_positions,
    draft_slots,
    find_empty_ports,
)
from laneproof_collectors.snapshot import (
    Array,
    Bond,
    Firmware,
    Interface,
    KernelPower,
    Memory,
    NvmeController,
    PciFunction,
    Setting,
    Snapshot,
)
from laneproof_collectors.unread import Reason, Unread, if_read

_Value = TypeVar("_Value")
_POWER_WORDS = ("pcie_aspm", "pcie_port_pm", "pcie_ports", "nvme_core.default_ps_max_latency_us")
_CONTAINER = "container"  # what holds a firmware RAID's volumes, and no array itself: admin-guide/md.rst
_ASPM_POLICIES = ("default", "performance", "powersave", "powersupersave")


@dataclass(frozen=True, slots=True, kw_only=True)
class Section:
    """One table's keys with their values.

    Attributes:
        values: What to declare.
        unasked: What could be declared too, and changes too often to be declared unasked; its meaning after it.
        remarks: What was left out, and why.
    """

    values: Mapping[str, object] = field(default_factory=dict)
    unasked: Mapping[str, tuple[object, str]] = field(default_factory=dict)
    remarks: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Draft:
    """Everything that a draft says."""

    box_name: str
    taken_at: float
    firmware: Section
    kernel: Section
    memory: Section
    slots: tuple[DraftedSlot, ...]
    positions: tuple[DraftedPosition, ...]
    arrays: tuple[Section, ...]
    bonds: tuple[Section, ...]
    networks: tuple[Section, ...]
    empty_ports: tuple[EmptyPort, ...]
    remarks: tuple[str, ...]  # what is left out as a whole, and why
    functions_read: bool
    drives_read: bool


def gather_draft(snapshot: Snapshot, *, box_name: str) -> Draft:
    """Put a machine's facts into the declaration's keys."""
    topology = topology_of(snapshot)
    named_slots = if_read(snapshot.slots)
    slots = draft_slots(topology, named_slots)
    positions = draft_positions(topology, named_slots, slots)
    return Draft(
        box_name=clean_text(box_name) or "box",
        taken_at=snapshot.taken_at,
        firmware=_draft_firmware(snapshot.firmware),
        kernel=_draft_kernel(snapshot.power, snapshot.firmware, topology, positions),
        memory=_draft_memory(snapshot.memory),
        slots=slots,
        positions=positions,
        arrays=_draft_arrays(if_read(snapshot.arrays), positions),
        bonds=tuple(
            _draft_bond(bond, snapshot.interfaces) for bond in if_read(snapshot.bonds) if clean_text(bond.name)
        ),
        networks=tuple(port for port in _draft_networks(snapshot.interfaces, snapshot.bonds) if "name" in port.values),
        empty_ports=find_empty_ports(topology),
        remarks=tuple(_find_gaps(snapshot, positions)),
        functions_read=not isinstance(snapshot.functions, Unread),
        drives_read=not isinstance(snapshot.drives, Unread),
    )


def _find_gaps(snapshot: Snapshot, positions: tuple[DraftedPosition, ...]) -> Iterator[str]:
    for what, group in (
        ("PCIe positions are", snapshot.functions),
        ("slots' names are", snapshot.slots),
        ("NVMe drives' identities are", snapshot.controllers),
        ("SATA drives are", snapshot.drives),
        ("arrays are", snapshot.arrays),
        ("bonds are", snapshot.bonds),
        ("network ports are", snapshot.interfaces),
    ):
        if isinstance(group, Unread):
            yield f"{what} left out: {group}"
    placed = {disk for position in positions for disk in position.disks}
    for drive in if_read(snapshot.drives):
        if drive.name not in placed:
            yield f"{drive.name} is left out: which position it hangs at is not clear"


def _draft_firmware(firmware: Firmware | Unread) -> Section:
    if isinstance(firmware, Unread):
        return Section(remarks=(f"left out: {firmware}",))
    values = {"board": firmware.board_name, "bios_version": firmware.bios_version, "bios_date": firmware.bios_date}
    return _section(values)


def _section(found: Mapping[str, object], remarks: tuple[str, ...] = ()) -> Section:
    """Keep texts, numbers and truths; remark on what could not be read; pass over what the machine has not."""
    values: dict[str, object] = {}
    gaps = []
    for key, value in found.items():
        if isinstance(value, Unread):
            gaps.append(f"{key} is left out: {value}")
        elif isinstance(value, str):
            if text := clean_text(value):
                values[key] = text
        elif value is not None:
            values[key] = value
    return Section(values=values, remarks=(*gaps, *remarks))


# --- kernel -----------------------------------------------------------------------------------------------------------


def _draft_kernel(
    power: KernelPower | Unread,
    firmware: Firmware | Unread,
    topology: Topology,
    positions: tuple[DraftedPosition, ...],
) -> Section:
    if isinstance(power, Unread):
        return Section(remarks=(f"left out: {power}",))
    links_aspm, remark = _judge_link_states(topology, positions)
    latency, own_limits = _judge_latency(_number(power.nvme_max_latency_us), topology, positions)
    words = power.command_line if isinstance(power.command_line, Unread) else _power_words(power.command_line)
    harmful = f"pcie_aspm=off is left out: {ASPM_OFF_COSTS}" if _has_aspm_off(power.command_line) else ""
    values: dict[str, object] = {
        "command_line": words,
        "aspm_policy": _setting(power.aspm_policy, _ASPM_POLICIES),
        "links_aspm": links_aspm,
        "nvme_default_ps_max_latency_us": latency,
        "port_power_management": _setting(power.port_power_management, ("on", "off")),
    }
    section = _section(values, tuple(text for text in (harmful, remark, own_limits) if text))
    release = None if isinstance(firmware, Unread) else clean_text(firmware.kernel_release)
    return replace(section, unasked={"release": (release, "would show when another kernel runs")} if release else {})


def _has_aspm_off(words: tuple[str, ...] | Unread) -> bool:
    return not isinstance(words, Unread) and any(map(is_aspm_off, words))


def _power_words(words: tuple[str, ...]) -> list[str] | None:
    found = [word for word in words if word.partition("=")[0].replace("-", "_").startswith(_POWER_WORDS)]
    return [word for word in map(clean_text, found) if word and not is_aspm_off(word)] or None


def _setting(setting: Setting | Unread | None, known: tuple[str, ...]) -> str | Unread | None:
    if setting is None or isinstance(setting, Unread):
        return setting
    return setting.value if setting.value in known else Unread("the setting", f"an unknown word, {setting.value!r}")


def _number(setting: Setting | Unread | None) -> int | Unread | None:
    if setting is None or isinstance(setting, Unread):
        return setting
    return int(setting.value) if setting.value.isdecimal() and len(setting.value) < 10 else None  # noqa: PLR2004 (a limit beyond an hour is none)


def _judge_link_states(topology: Topology, positions: tuple[DraftedPosition, ...]) -> tuple[str | None, str]:
    """Say "off" where no end of any drafted link has a low-power state enabled; else nothing, and why."""
    links = [link for position in positions if (link := topology.link_at(position.path))]
    ends = [end for link in links for end in (link.port, link.device) if end is not None]
    awake = [end.address for end in ends if _has_link_states(end)]
    unknown = [end.address for end in ends if _has_link_states(end) is None]
    if awake:
        return None, f'links_aspm = "off" is left out: low-power link states are enabled at {", ".join(awake)}'
    if unknown:
        return None, f'links_aspm = "off" is left out: could not read the link states of {", ".join(unknown)}'
    return ("off", "") if ends else (None, "")


def _judge_latency(
    limit: int | Unread | None, topology: Topology, positions: tuple[DraftedPosition, ...]
) -> tuple[int | Unread | None, str]:
    """Give the kernel's limit where it rules each drafted drive; else nothing, and which drives have their own."""
    if not isinstance(limit, int):
        return limit, ""
    occupants = [topology.occupant_at(position.path) for position in positions]
    drives = [occupant.controller for occupant in occupants if occupant and occupant.controller]
    own = [drive.name for drive in drives if _has_own_limit(drive, limit)]
    if own:
        return None, f"nvme_default_ps_max_latency_us = {limit} is left out: it does not rule {', '.join(own)}"
    return limit, ""


def _has_own_limit(controller: NvmeController, limit: int) -> bool:
    if limit == 0:
        return enters_idle_states(controller) is True
    return controller.latency_tolerance_us not in (None, "auto", limit)


def _has_link_states(function: PciFunction) -> bool | None:
    """Whether a low-power link state is enabled at this end; None where nothing says so."""
    enabled = [value for name, value in function.power.link_states.items() if name.endswith("aspm")]
    express = function.express
    if express is not None and not isinstance(express, Unread) and express.link is not None:
        enabled.append(express.link.aspm_enabled != 0)
    if any(value is True for value in enabled):
        return True
    return False if any(value is False for value in enabled) else None


# --- memory -----------------------------------------------------------------------------------------------------------


def _draft_memory(memory: Memory | Unread) -> Section:
    if isinstance(memory, Unread):
        return Section(remarks=(f"left out: {memory}",))
    if isinstance(memory.modules, Unread) or not memory.modules:
        return _draft_memory_without_modules(memory)
    sizes = [module.size_bytes for module in memory.modules]
    fitted = sum(size for size in sizes if size is not None)
    speed = _only({module.configured_mt_s for module in memory.modules})
    values: dict[str, object] = {
        "total": format_bytes(fitted, binary=True) if None not in sizes else None,
        "modules": len(memory.modules),
        "speed_mt_s": speed or None,
        "ecc": _only({module.ecc for module in memory.modules}),
    }
    rated = min((module.rated_mt_s for module in memory.modules if module.rated_mt_s), default=None)
    remarks = (f"the modules are rated for {rated} MT/s",) if speed and rated and rated > speed else ()
    return _section(values, remarks)


def _draft_memory_without_modules(memory: Memory) -> Section:
    total = memory.total_bytes
    why = memory.modules if isinstance(memory.modules, Unread) else "the firmware's table lists none"
    return _section(
        {"total": total if isinstance(total, Unread) else format_bytes(total, binary=True)},
        ("total is what the kernel uses, a little less than is fitted", f"modules are left out: {why}"),
    )


def _only(values: set[_Value]) -> _Value | None:
    """Give the one value that all share, None where they differ."""
    return next(iter(values)) if len(values) == 1 else None


# --- arrays and bonds --------------------------------------------------------------------------------------------


def _draft_arrays(arrays: tuple[Array, ...], positions: tuple[DraftedPosition, ...]) -> tuple[Section, ...]:
    labels = {disk: position.label for position in positions for disk in position.disks}
    return tuple(
        _draft_array(array, labels) for array in arrays if clean_text(array.name) and array.level != _CONTAINER
    )


def _draft_array(array: Array, labels: Mapping[str, str]) -> Section:
    spares = [member for member in array.members if _is_spare(member.state, member.slot)]
    working = [member for member in array.members if member not in spares]
    strangers = [member.name for member in array.members if member.disk not in labels]
    values: dict[str, object] = {"name": array.name, "level": _known_word(array.level, parse_level)}
    remarks = []
    if strangers:  # a list of some members would say that there are no others
        remarks.append(f"members are left out: no position is known of {', '.join(strangers)}")
    else:
        values["members"] = _unique(labels[member.disk] for member in working) or None
        values["spares"] = _unique(labels[member.disk] for member in spares) or None
    if isinstance(array.degraded, int) and array.degraded > 0:
        remarks.append(f"it was degraded when this was drafted: {array.degraded} missing; add the missing member")
    return _section(values, tuple(remarks))


def _known_word(word: str | Unread, parse: Callable[[object], object]) -> object:
    if isinstance(word, Unread):
        return word
    try:
        return parse(word)
    except ValueError as error:
        return Unread("the kernel's word", str(error), Reason.MALFORMED)


def _is_spare(state: str | Unread, slot: int | None) -> bool:
    # A member that is being rebuilt says "spare" too, but it has a slot already (admin-guide/md.rst).
    return isinstance(state, str) and "spare" in state.split(",") and slot is None


def _unique(labels: Iterator[str]) -> list[str]:
    return list(dict.fromkeys(labels))


def _draft_networks(interfaces: tuple[Interface, ...] | Unread, bonds: tuple[Bond, ...] | Unread) -> Iterator[Section]:
    """Draft each port that is up, has a device behind it and stands alone."""
    if isinstance(interfaces, Unread) or isinstance(bonds, Unread):
        return
    members = {member.name for bond in bonds for member in bond.members}
    for port in interfaces:
        speed = port.speed_mbit_s
        if port.address is None or port.name in members or not isinstance(speed, int) or speed <= 0:
            continue
        if port.duplex == "half":
            yield _section({"name": port.name}, (f"speed_mbit_s = {speed} is left out: it was in half duplex",))
        else:
            yield _section({"name": port.name, "speed_mbit_s": speed})


def _draft_bond(bond: Bond, interfaces: tuple[Interface, ...] | Unread) -> Section:
    members = [member.name for member in bond.members]
    speed = _only({interface.speed_mbit_s for interface in if_read(interfaces) if interface.name in members})
    values = {
        "name": bond.name,
        "mode": _known_word(bond.mode, parse_bond_mode),
        "members": members,
        "member_speed_mbit_s": speed if isinstance(speed, int) and speed > 0 else None,
    }
    return _section(values)
