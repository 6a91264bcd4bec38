"""The declared positions laid over the machine: what is in each, what moved, and what is in no declared position.

All rules about positions begin here, so that they agree on what is empty and what moved. Nothing here makes a finding.
"""

import re
from collections.abc import Iterator
from dataclasses import dataclass
from enum import StrEnum
from functools import cached_property

from laneproof.box.link_ends import Link
from laneproof.box.occupants import Occupant
from laneproof.box.topology import Topology, topology_of
from laneproof.declaration.build import Build
from laneproof.declaration.tables import DeclaredDevice, DeclaredPosition
from laneproof.declaration.units import is_same_capacity
from laneproof_collectors.snapshot import PciFunction, Snapshot
from laneproof_collectors.unread import Unread


class State(StrEnum):
    """What a position was found to be."""

    OCCUPIED = "occupied"
    GONE = "gone"  # the kernel lists a device, but it no longer answers
    SILENT = "silent"  # its bridge or controller is there, nothing is below
    NO_BRIDGE = "no-bridge"
    UNREAD = "unread"


_ON_CONTROLLER = re.compile(r"(?:ata|usb|phy|port|scsi|lun)-")
EMPTY = (State.GONE, State.SILENT, State.NO_BRIDGE)


@dataclass(frozen=True, slots=True, kw_only=True)
class Placement:
    """One declared position and what the machine shows there."""

    position: DeclaredPosition
    state: State
    port: PciFunction | None
    occupant: Occupant | None
    link: Link | None
    unread: Unread | None = None

    @property
    def label(self) -> str:
        """The position's label."""
        return self.position.label

    @property
    def devices(self) -> tuple[DeclaredDevice, ...]:
        """Each device that may be here (`any_of`): mostly one; none where nothing is declared of it."""
        declared = self.position.occupant
        return declared.devices if declared is not None and declared.model_fields_set else ()

    @property
    def declared_device(self) -> DeclaredDevice | None:
        """The declared occupant; of several, the one that is found here, else what all have in common."""
        declared, occupant = self.position.occupant, self.occupant
        if declared is None or not declared.any_of or occupant is None:
            return declared if declared is not None and declared.model_fields_set else None
        return next((device for device in declared.devices if _matches(occupant, device)), declared)

    @property
    def is_none_of_several_here(self) -> bool:
        """Whether several devices take turns here (`any_of`), and none of them is here now."""
        return len(self.devices) > 1 and self.declared_device is self.position.occupant

    @property
    def is_meant_empty(self) -> bool:
        """Whether the declaration wants nothing here."""
        return self.declared_device is not None and self.declared_device.kind == "none"

    @property
    def is_meant_occupied(self) -> bool:
        """Whether the declaration wants a device here: it names one, or a link that only a device can train.

        A removable one is wanted only while the kernel lists it: taken out, it is where its owner wants it.
        """
        if self.is_meant_empty or (self.position.removable and self.state in (State.SILENT, State.NO_BRIDGE)):
            return False
        return self.declared_device is not None or self.position.link is not None

    @property
    def is_occupied(self) -> bool:
        """Whether a device is here and answers."""
        return self.state is State.OCCUPIED

    @property
    def disks(self) -> frozenset[str]:
        """The kernel's disks on the device that is here and answers."""
        return frozenset(self.occupant.disks if self.occupant is not None and self.is_occupied else ())


class Arrangement:
    """A build laid over a snapshot. Without a build there are no positions, only the tree."""

    def __init__(self, build: Build | None, snapshot: Snapshot, shared_serials: frozenset[str] = frozenset()) -> None:
        """Keep both; each property is worked out when it is first asked for."""
        self.build = build
        self.snapshot = snapshot
        self._shared_serials = shared_serials

    @cached_property
    def relevant_paths(self) -> frozenset[str]:
        """The paths of drives and network cards, and those on the way to them; no other device's link matters."""
        ends = [drive.path for drive in self.drives]
        ends += [link.path for link in self.topology.links() if self._is_network(link.path)]
        hops = [end.split("/") for end in ends]
        return frozenset("/".join(parts[:depth]) for parts in hops for depth in range(2, len(parts) + 1))

    def _is_network(self, path: str) -> bool:
        occupant = self.topology.occupant_at(path)
        return occupant is not None and occupant.kind == "network"

    @cached_property
    def topology(self) -> Topology:
        """The machine by path."""
        return topology_of(self.snapshot, shared_serials=self._shared_serials)

    @cached_property
    def placements(self) -> tuple[Placement, ...]:
        """Each declared position, in the order of the declaration."""
        return tuple(self._place(position) for position in (self.build.position if self.build else ()))

    @cached_property
    def by_label(self) -> dict[str, Placement]:
        """The declared positions by label."""
        return {placement.label: placement for placement in self.placements}

    def _place(self, position: DeclaredPosition) -> Placement:
        tree, path = self.topology, position.path
        occupant, port, link = tree.occupant_at(path), None, None
        if hangs_on_controller(path):
            unread, is_bridge_there = tree.drives_unread, _has_controller_above(tree, path)
        elif _is_off_pci(path):
            unread, is_bridge_there = tree.controllers_unread, False
        else:
            port, link = tree.port_at(path), tree.link_at(path)
            unread, is_bridge_there = tree.unread, port is not None
        if unread is not None:
            state = State.UNREAD
        elif occupant is not None:
            state = State.OCCUPIED if occupant.answers or occupant.asleep else State.GONE
        else:
            state = State.SILENT if is_bridge_there else State.NO_BRIDGE
        return Placement(position=position, state=state, port=port, occupant=occupant, link=link, unread=unread)

    @cached_property
    def drives(self) -> tuple[Occupant, ...]:
        """Each drive of the machine that answers."""
        return tuple(occupant for occupant in self.topology.drive_occupants() if occupant.answers)

    @cached_property
    def label_by_path(self) -> dict[str, str]:
        """The positions' labels by path."""
        return {placement.position.path: placement.label for placement in self.placements}

    def full_name(self, occupant: Occupant) -> str:
        """Name a device by label and kernel name, ``riser-1 (nvme0)``; where it has no label, by the kernel's name."""
        label = self.label_of(occupant)
        return f"{label} ({occupant.name})" if label else occupant.name

    def label_of(self, occupant: Occupant) -> str | None:
        """Give the label of the declared position that a device is in, None where it is in none."""
        labels = self.label_by_path
        return next((label for path in occupant.all_paths if (label := labels.get(path))), None)

    def where(self, occupant: Occupant) -> str:
        """Say in words where a device is: a label, else its path."""
        return self.label_of(occupant) or f"the undeclared {occupant.path}"

    def undeclared_drives(self) -> Iterator[Occupant]:
        """Give the drives that are in no declared position."""
        return (drive for drive in self.drives if self.label_of(drive) is None)

    def found_elsewhere(self, placement: Placement) -> Occupant | None:
        """Find the drive that is declared for a position in another one, None where it is not found for sure."""
        return self._moves.get(placement.label)

    def belongs_to(self, occupant: Occupant) -> str | None:
        """Give the label of the other position that a device is declared for, None where it is for none."""
        return next((label for label, found in self._moves.items() if found.own_path == occupant.own_path), None)

    @cached_property
    def _moves(self) -> dict[str, Occupant]:
        """Which position's drive is elsewhere, by label."""
        moves = {}
        for placement in self.placements:
            found = self._find_own_drive(placement)
            if found is not None and placement.position.path not in found.all_paths:
                moves[placement.label] = found
        return moves

    @cached_property
    def _by_serial(self) -> dict[str, list[Occupant]]:
        """The drives by serial number; one that several drives have identifies none of them."""
        found: dict[str, list[Occupant]] = {}
        for drive in self.drives:
            if isinstance(drive.serial, str):
                found.setdefault(_normalize(drive.serial), []).append(drive)
        return found

    def _find_own_drive(self, placement: Placement) -> Occupant | None:
        """Find the drive declared for a position: by serial number, else by model and capacity where only one fits."""
        declared = placement.declared_device
        if declared is None or declared.kind == "none":
            return None
        if placement.is_none_of_several_here:
            found = [
                drive
                for device in placement.devices
                if device.serial is not None
                for drive in self._by_serial.get(_normalize(device.serial), [])
            ]
            return found[0] if len(found) == 1 else None
        if declared.serial is not None:
            found = self._by_serial.get(_normalize(declared.serial), [])
            return found[0] if len(found) == 1 else None
        if declared.model is None or (placement.occupant is not None and _matches(placement.occupant, declared)):
            return None
        rivals = [rival for rival in self.placements if _is_declared_alike(rival.declared_device, declared)]
        found = [drive for drive in self.drives if _matches(drive, declared) and not self._is_where_declared(drive)]
        return found[0] if len(rivals) == 1 and len(found) == 1 else None

    def _is_where_declared(self, occupant: Occupant) -> bool:
        """Whether a drive is where it is declared to be, as far as its declaration goes."""
        label = self.label_of(occupant)
        declared = self.by_label[label].declared_device if label else None
        return declared is not None and declared.kind != "none" and _matches(occupant, declared)


def is_same_text(observed: object, declared: str) -> bool:
    """Whether a name that a device gives is the declared one; case and padding do not count."""
    return isinstance(observed, str) and _normalize(observed) == _normalize(declared)


def _normalize(text: str) -> str:
    return " ".join(text.split()).casefold()


def _matches(occupant: Occupant, declared: DeclaredDevice) -> bool:
    """Whether serial number, model and capacity, where declared, all agree; one that is unread does not."""
    if declared.serial is not None and not is_same_text(occupant.serial, declared.serial):
        return False
    if declared.model is not None and not is_same_text(occupant.model, declared.model):
        return False
    if declared.capacity is None:
        return True
    return isinstance(occupant.capacity_bytes, int) and is_same_capacity(occupant.capacity_bytes, declared.capacity)


def _is_declared_alike(rival: DeclaredDevice | None, declared: DeclaredDevice) -> bool:
    return (
        rival is not None
        and rival.serial is None
        and (rival.model, rival.capacity) == (declared.model, declared.capacity)
    )


def hangs_on_controller(path: str) -> bool:
    """Whether a path's last hop is not a PCI function but a port of a controller: ``ata-3``, ``phy-0``."""
    return _ON_CONTROLLER.match(path.rpartition("/")[2]) is not None


def _is_off_pci(path: str) -> bool:
    """Whether a path names a controller that no PCI function carries: ``platform/27bcc0000.nvme``."""
    return path.startswith(("platform/", "fabrics/"))


def _has_controller_above(tree: Topology, path: str) -> bool:
    """Whether the controller is there that a path's last hops hang on."""
    above = path
    while hangs_on_controller(above):  # one hop, or one for each expander and unit
        above = above.rpartition("/")[0]
    return bool(tree.functions_at(above)) or above in tree.functions


def arrange(build: Build | None, snapshot: Snapshot, *, shared_serials: frozenset[str] = frozenset()) -> Arrangement:
    """Lay a build over a snapshot.

    Args:
        build: The declaration, None where there is none.
        snapshot: The facts.
        shared_serials: Serial numbers that two drives were seen to share in earlier passes.
    """
    return Arrangement(build, snapshot, shared_serials)
