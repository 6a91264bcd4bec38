"""The positions of a machine as it stands: where each device is, what it is, what its link can do, what to call it.

What the machine cannot know is left out with a remark, never guessed silently: a label that nobody but the owner knows
is marked, and so is a slot that only looks split.
"""

import re
from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace

from laneproof.box.link_ends import Link
from laneproof.box.link_rates import LANE_COUNTS, describe_rate, generation_at
from laneproof.box.occupants import Occupant
from laneproof.box.topology import Topology
from laneproof.declaration.fields import PATH_PATTERN
from laneproof.declaration.units import format_bytes
from laneproof_collectors.snapshot import PciFunction, PhysicalSlot
from laneproof_collectors.unread import Reason, Unread

_PATH = re.compile(PATH_PATTERN)
_ROOT_PORT = 4  # pci_regs.h, PCI_EXP_TYPE_ROOT_PORT
_MOST_BYTES = 10**21  # a field of 128 bits can hold nonsense; a declaration takes no more than about this
_SPLIT_LANES = (4, 8)  # widths of a split slot's branches, and ...
_SLOT_LANES = (8, 16)  # ... what they add up to: x4x4, x8x8, x8x4x4, x4x4x4x4; the trade's words, no source


@dataclass(frozen=True, slots=True, kw_only=True)
class DraftedPosition:
    """One position with its device.

    Attributes:
        label_from: Who calls it so; empty where it is a guess, None where its owner said so.
        through: What stands between the board and the device, in order, as its owner said; empty where nobody did.
        slot: The drafted slot it belongs to, and the branch.
        branch: Counted from 1; None outside a split slot.
        link: Generation and lanes that both ends can do, as far as known; what trained where that is not known.
        trained: What trained.
        link_remark: What trained, where that is less.
        occupant: kind, capacity, model, serial, as far as known.
        firmware: The device's firmware.
        remarks: What was left out, and why.
        disks: The kernel's names of it, to find an array's members by.
    """

    path: str
    label: str
    label_from: str | None = ""
    through: tuple[str, ...] = ()
    slot: str | None = None
    branch: int | None = None
    link: Mapping[str, int] = field(default_factory=dict)
    trained: Mapping[str, int] = field(default_factory=dict)
    link_remark: str = ""
    occupant: Mapping[str, str] = field(default_factory=dict)
    firmware: str | None = None
    remarks: tuple[str, ...] = ()
    disks: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class DraftedSlot:
    """A slot that is split: root ports that are functions of one device, with the lanes of one slot between them.

    Attributes:
        named_by_firmware: Whether the firmware's own table says that these ports are one slot.
        path: The bridge above its branches.
        split: Lanes of each branch.
        ports: The own path of each branch's port, in order.
    """

    name: str
    named_by_firmware: bool
    path: str
    split: tuple[int, ...]
    ports: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class EmptyPort:
    """A downstream port with a slot and nothing in it."""

    path: str
    description: str


def draft_slots(topology: Topology, slots: Iterable[PhysicalSlot]) -> tuple[DraftedSlot, ...]:
    """Find the slots that are split.

    Sockets of their own can be functions of one device too. What marks a split slot: its ports are neighbours, their
    lanes add up to those of a slot, a drive is on one of them, and the firmware's table has not several names for them.
    """
    groups: dict[str, list[PciFunction]] = {}
    for function in topology.functions.values():
        if _is_root_port(topology, function):
            groups.setdefault(_without_function(function.address), []).append(function)
    names = _names_by_address(slots)
    found: list[DraftedSlot] = []
    for address, ports in groups.items():
        ports.sort(key=lambda port: port.hops[-1])
        known = names.get(address, set())
        split = _find_split(topology, ports) if len(known) <= 1 else ()
        if split:
            name = _slug(next(iter(known))) if known else f"split-{len(found) + 1}"
            found.append(
                DraftedSlot(
                    name=name,
                    named_by_firmware=bool(known),
                    path="/".join((ports[0].root, *ports[0].hops[:-1])),
                    split=split,
                    ports=tuple(port.own_path for port in ports),
                )
            )
    return tuple(found)


def _is_root_port(topology: Topology, function: PciFunction) -> bool:
    express = function.express
    if express is not None and not isinstance(express, Unread):
        return function.is_bridge and express.port_type == _ROOT_PORT
    return len(function.hops) == 1 and topology.is_downstream_facing(function)


def _find_split(topology: Topology, ports: list[PciFunction]) -> tuple[int, ...]:
    numbers = [int(port.hops[-1][-1]) for port in ports]
    links = [topology.link_at(port.own_path) for port in ports]
    lanes = tuple(
        int(link.port_lanes.value) for link in links if link and isinstance(link.port_lanes.value, float | int)
    )
    is_split = (
        len(ports) > 1
        and len(lanes) == len(ports)
        and numbers == list(range(numbers[0], numbers[0] + len(ports)))
        and all(width in _SPLIT_LANES for width in lanes)
        and sum(lanes) in _SLOT_LANES
        and any((occupant := topology.occupant_at(port.own_path)) and occupant.is_drive for port in ports)
    )
    return lanes if is_split else ()


def draft_positions(
    topology: Topology, slots: Iterable[PhysicalSlot], split: Iterable[DraftedSlot]
) -> tuple[DraftedPosition, ...]:
    """Draft a position for each drive, and for each network card that has a link.

    Returns:
        The positions in the order of their paths, each with a label of its own.
    """
    branches = {port: (slot.name, at) for slot in split for at, port in enumerate(slot.ports, start=1)}
    names = _names_by_address(slots)
    occupants = {occupant.path: occupant for occupant in topology.drive_occupants()}
    for path in topology.below:
        occupant = topology.occupant_at(path)
        if occupant and occupant.kind == "network" and occupant.path == path and topology.link_at(path):
            occupants.setdefault(path, occupant)
    drafted = []
    for path, occupant in sorted(occupants.items()):
        if not _PATH.fullmatch(path):
            continue
        slot, branch = branches.get(path, (None, None))
        label, label_from = _name_position(topology, occupant, names)
        if slot:
            label, label_from = f"{slot}-{branch}", ""
        position = DraftedPosition(
            path=path, label=label, label_from=label_from, slot=slot, branch=branch, disks=occupant.disks
        )
        if occupant.other_paths:
            position = replace(
                position, remarks=(f"the same drive is reached by {' and '.join(occupant.other_paths)}",)
            )
        drafted.append(_with_occupant(_with_link(position, topology.link_at(path), occupant), occupant))
    return _with_labels_apart(drafted)


def _with_link(position: DraftedPosition, link: Link | None, occupant: Occupant) -> DraftedPosition:
    """Draft what both ends can do; otherwise a link that trained low would be declared so, and never be found."""
    if link is None:
        return position
    remarks = []
    rate, lanes = link.trained_gt_s.value, link.trained_lanes.value
    trained, capable = _in_numbers(rate, lanes), _in_numbers(link.capable_gt_s, link.capable_lanes)
    drafted = {key: max(value, capable.get(key, 0)) for key, value in trained.items()}
    for key, value in (("generation", rate), ("lanes", lanes)):
        if isinstance(value, Unread):
            remarks.append(f"link.{key} is left out: {value}")
    if occupant.asleep and isinstance(rate, float) and "generation" not in capable:
        drafted.pop("generation", None)
        remarks.append(f"link.generation is left out: the device slept at {describe_rate(rate)} when this was drafted")
    return replace(
        position,
        link=drafted,
        trained=trained,
        link_remark=_describe_less(trained, drafted, asleep=occupant.asleep),
        remarks=(*position.remarks, *remarks),
    )


def _in_numbers(rate: float | Unread | None, lanes: float | Unread | None) -> dict[str, int]:
    """Give a rate and a width as they are declared, as far as they are known."""
    numbers = {}
    if isinstance(rate, float | int) and (generation := generation_at(rate)) is not None:
        numbers["generation"] = generation
    if isinstance(lanes, float | int) and lanes in LANE_COUNTS:
        numbers["lanes"] = int(lanes)
    return numbers


def _describe_less(trained: Mapping[str, int], drafted: Mapping[str, int], *, asleep: bool) -> str:
    words = {"generation": "generation ", "lanes": "x"}
    less = [f"{words[key]}{trained[key]}" for key, value in drafted.items() if trained[key] < value]
    if not less:
        return ""
    return f"{'slept' if asleep else 'trained'} at {' '.join(less)} when this was drafted; both ends can do this"


def _with_occupant(position: DraftedPosition, occupant: Occupant) -> DraftedPosition:
    texts: dict[str, str] = {}
    remarks = []
    capacity = occupant.capacity_bytes
    if isinstance(capacity, int) and capacity > _MOST_BYTES:
        capacity = Unread("its capacity", f"no drive holds {capacity:.3g} bytes", Reason.MALFORMED)
    values: dict[str, object] = {"kind": occupant.kind}
    if occupant.is_drive:
        values |= {
            "capacity": format_bytes(capacity) if isinstance(capacity, int) else capacity,
            "model": occupant.model,
            "serial": occupant.serial,
        }
    for key, value in values.items():
        if isinstance(value, Unread):
            remarks.append(f"occupant.{key} is left out: {value}")
        elif text := clean_text(value):
            texts[key] = text
    return replace(
        position,
        occupant=texts,
        firmware=clean_text(occupant.firmware) if occupant.is_drive else None,
        remarks=(*position.remarks, *remarks),
    )


def clean_text(value: object) -> str | None:
    """Give a text that can stand in a file, None where there is none: blank, or not to be written in UTF-8."""
    if not isinstance(value, str):
        return None
    return value.encode("utf-8", "replace").decode().strip() or None


def find_empty_ports(topology: Topology) -> tuple[EmptyPort, ...]:
    """Find the downstream ports that have a slot and nothing in it."""
    found = []
    for path, function in sorted(topology.functions.items()):
        express = function.express
        if topology.functions_at(path) or not topology.is_downstream_facing(function):
            continue
        if express is None or isinstance(express, Unread) or express.slot is None or not _PATH.fullmatch(path):
            continue
        link = topology.link_at(path)
        rate, lanes = (link.port_gt_s.value, link.port_lanes.value) if link else (None, None)
        generation = generation_at(rate) if isinstance(rate, float | int) else None
        could = [f"generation {generation}"] if generation else []
        could += [f"x{lanes:.0f}"] if isinstance(lanes, float | int) else []
        number = [f"slot {express.slot.number}"] if express.slot.number else []
        found.append(
            EmptyPort(path=path, description=", ".join(number + ([f"up to {' '.join(could)}"] if could else [])))
        )
    return tuple(found)


# --- labels -----------------------------------------------------------------------------------------------------------


def _names_by_address(slots: Iterable[PhysicalSlot]) -> dict[str, set[str]]:
    # The firmware's names stand before the kernel's, which are numbers mostly.
    names: dict[str, set[str]] = {}
    for source in ("smbios", "sysfs"):
        found: dict[str, set[str]] = {}
        for slot in slots:
            name = clean_text(slot.name)
            if slot.source == source and slot.address and name:
                found.setdefault(slot.address, set()).add(name if not name.isdigit() else f"slot-{name}")
        names = found | names
    return names


def _name_position(topology: Topology, occupant: Occupant, names: dict[str, set[str]]) -> tuple[str, str]:
    """Give what the machine calls a position, and who calls it so; else a guess from the kind of device."""
    port = topology.port_at(occupant.path)
    for function in (*occupant.functions[:1], *((port,) if port else ())):
        known = names.get(_without_function(function.address), set())
        if len(known) == 1:
            return next(iter(known)), "the firmware"
        if label := clean_text(function.label):
            return label, "the firmware"
    if port is not None and port.express is not None and not isinstance(port.express, Unread):
        slot = port.express.slot
        if slot is not None and slot.number > 0:
            return f"slot-{slot.number}", "the port"
    if not occupant.functions:
        return occupant.path.rpartition("/")[2], ""
    return (f"{'drive' if occupant.is_drive else 'network'}-1", "")


def _with_labels_apart(drafted: list[DraftedPosition]) -> tuple[DraftedPosition, ...]:
    taken: set[str] = set()
    repeated = Counter(position.label for position in drafted)
    result = []
    for position in drafted:
        label, number = position.label, 1
        stem = label.removesuffix("-1") if repeated[label] > 1 or label in taken else label
        while label in taken:
            number += 1
            label = f"{stem}-{number}"
        taken.add(label)
        result.append(
            replace(position, label=label, label_from=position.label_from if repeated[position.label] == 1 else "")
        )
    return tuple(result)


def _without_function(address: str) -> str:
    return address.rpartition(".")[0]


def _slug(name: str) -> str:
    return re.sub(r"[^a-z0-9]+", "-", name.lower()).strip("-") or "slot"
