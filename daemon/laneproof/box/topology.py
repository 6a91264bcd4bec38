"""Which position holds what: the tree of functions by path, the link that ends in each position, and its occupant.

It arranges facts and judges none. A position's path ends in the bridge above it, and where that bridge is missing the
position is empty; where no bridge is above a device, the path ends in the device itself.
"""

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from functools import cached_property

from laneproof.box.link_ends import Link, join_ends
from laneproof.box.occupants import Occupant, describe_device, describe_drive, describe_nvme, join_paths, kind_of
from laneproof_collectors.snapshot import Interface, NvmeController, PciFunction, SataDrive, Snapshot
from laneproof_collectors.unread import Unread, if_read

# pci_regs.h, PCI_EXP_TYPE_*: a link hangs below these; not below an upstream port, whose children are inside the switch
_ROOT_PORT, _DOWNSTREAM_PORT = 4, 6
_INTEGRATED_END_POINTS = (9, 10)  # they sit in the root complex and have no link


@dataclass(frozen=True, kw_only=True)
class Topology:
    """The machine's functions and drives by path.

    Attributes:
        unread: Why the tree is unknown as a whole, else None.
        functions: By own path.
        below: Functions by the own path of the bridge above them, in the order of their own paths.
        controllers: NVMe controllers by bus address.
        off_pci_controllers: NVMe controllers that no PCI function carries, by path.
        controllers_unread: Why no controller is known, else None.
        interfaces: Network interfaces by bus address.
        drives: SATA, SAS and USB drives by path.
        drives_unread: Why no such drive is known, else None.
        mapped: The disks that each mapped device lies on, by its names: ``dm-2``, ``mapper/archive``.
        shared_serials: Serial numbers that two drives were seen to share, though only one of them may be here now.
    """

    unread: Unread | None
    functions: dict[str, PciFunction]
    below: dict[str, tuple[PciFunction, ...]]
    controllers: dict[str, NvmeController]
    off_pci_controllers: dict[str, NvmeController]
    controllers_unread: Unread | None
    interfaces: dict[str, tuple[Interface, ...]]
    drives: dict[str, SataDrive]
    drives_unread: Unread | None
    mapped: dict[str, tuple[str, ...]] = field(default_factory=dict)
    shared_serials: frozenset[str] = frozenset()
    _links: dict[str, Link | None] = field(default_factory=dict, repr=False, compare=False)
    _occupants: dict[str, Occupant | None] = field(default_factory=dict, repr=False, compare=False)

    def port_at(self, path: str) -> PciFunction | None:
        """Find the bridge that a path ends in; None where there is none."""
        function = self.functions.get(path)
        return function if function and function.is_bridge else None

    def functions_at(self, path: str) -> tuple[PciFunction, ...]:
        """Find the functions in a position: those below its bridge, else the function that the path itself names."""
        if found := self.below.get(path):
            return found
        itself = self.functions.get(path)
        return (itself,) if itself and not itself.is_bridge else ()

    def is_downstream_facing(self, function: PciFunction) -> bool:
        """Whether a link begins below a bridge; below a switch's upstream port there is only the inside of the switch.

        Where the registers were not read, a bridge at an odd depth faces downstream: root port, upstream port,
        downstream port and so on take turns from the host bridge down.
        """
        if not function.is_bridge:
            return False
        if function.express is not None and not isinstance(function.express, Unread):
            return function.express.port_type in (_ROOT_PORT, _DOWNSTREAM_PORT)
        has_link = function.link.trained_lanes is not None or function.link.capable_lanes is not None
        return has_link and len(function.hops) % 2 == 1

    def link_at(self, path: str) -> Link | None:
        """Give the link that ends in a position; None where there is neither port nor device, or none with a link."""
        if path not in self._links:
            self._links[path] = self._make_link(path)
        return self._links[path]

    def _make_link(self, path: str) -> Link | None:
        port = self.port_at(path)
        device = next(iter(self.functions_at(path)), None)
        if port is None and (device is None or _is_integrated(device)):
            return None
        if port is not None and not self.is_downstream_facing(port):
            return None
        return join_ends(path, port, device)

    def links(self) -> Iterator[Link]:
        """Give each link of the machine that has a device at its end, once."""
        for path, function in self.functions.items():
            is_own_position = not function.is_bridge and len(function.hops) == 1
            link = self.link_at(path) if function.is_bridge or is_own_position else None
            if link is not None and link.device is not None:
                yield link

    def links_to(self, path: str) -> tuple[Link, ...]:
        """Give the links that a position's data crosses, from the host bridge down to the position's own."""
        root, *hops = path.split("/")
        prefixes = ("/".join((root, *hops[: depth + 1])) for depth in range(len(hops)))
        return tuple(link for prefix in prefixes if (link := self.link_at(prefix)) is not None)

    def occupant_at(self, path: str) -> Occupant | None:
        """Find the device in a position. None: nothing is there."""
        return self._sharing_serials.get(path) or self._occupant_at(path)

    def _occupant_at(self, path: str) -> Occupant | None:
        if path not in self._occupants:
            self._occupants[path] = self._find_occupant(path)
        return self._occupants[path]

    def _find_occupant(self, path: str) -> Occupant | None:
        if drive := self.drives.get(path):
            return describe_drive(drive, path)
        if off_pci := self.off_pci_controllers.get(path):
            return describe_nvme(path, (), off_pci, None)
        all_functions = self.functions_at(path)
        if not all_functions:
            return None
        first = all_functions[0]
        functions = tuple(function for function in all_functions if _is_same_device(function, first))
        kind = kind_of(first.class_code)
        controller = next(
            (self.controllers[function.address] for function in functions if function.address in self.controllers), None
        )
        if kind == "nvme" or controller is not None:
            return describe_nvme(path, functions, controller, self.controllers_unread)
        interfaces = tuple(
            interface for function in functions for interface in self.interfaces.get(function.address, ())
        )
        return describe_device(path, functions, interfaces)

    def drive_occupants(self) -> tuple[Occupant, ...]:
        """Give each drive of the machine once, with its position and the other positions that lead to it."""
        return self._drives

    @cached_property
    def _drives(self) -> tuple[Occupant, ...]:
        drives = tuple(join_paths(self._find_drives()))
        counts = Counter(serial for drive in drives if (serial := _serial_of(drive)))
        shared = self.shared_serials.union(serial for serial, count in counts.items() if count > 1)
        return tuple(replace(drive, shares_serial=_serial_of(drive) in shared) for drive in drives)

    @cached_property
    def _sharing_serials(self) -> dict[str, Occupant]:
        """The drives whose serial number another one has too, by path: known only once all drives are found."""
        return {drive.path: drive for drive in self._drives if drive.shares_serial}

    def _find_drives(self) -> Iterator[Occupant]:
        for path, function in self.functions.items():
            if kind_of(function.class_code) == "nvme" or function.address in self.controllers:
                first = next(iter(self.functions_at(function.path)), function)
                if first is function:
                    yield from filter(None, (self._occupant_at(function.path),))
                elif not _is_same_device(first, function):  # a second device on one bus: it goes by its own path
                    yield from filter(None, (self._occupant_at(path),))
        for path in (*self.drives, *self.off_pci_controllers):
            if found := self._occupant_at(path):
                yield found


def _serial_of(drive: Occupant) -> str:
    return drive.serial.strip() if isinstance(drive.serial, str) else ""


def _is_same_device(function: PciFunction, other: PciFunction) -> bool:
    return function.address.rpartition(".")[0] == other.address.rpartition(".")[0]


def _is_integrated(function: PciFunction) -> bool:
    express = function.express
    if express is not None and not isinstance(express, Unread) and express.port_type in _INTEGRATED_END_POINTS:
        return True
    return function.link.trained_lanes is None and function.link.capable_lanes is None


def topology_of(snapshot: Snapshot, *, shared_serials: frozenset[str] = frozenset()) -> Topology:
    """Make the tree of a snapshot.

    Args:
        snapshot: The facts of one pass.
        shared_serials: Serial numbers that two drives were seen to share in earlier passes.

    Returns:
        The tree. Groups that could not be read leave it empty and say so in its ``..._unread``.
    """
    functions = if_read(snapshot.functions)
    by_own_path = {function.own_path: function for function in functions}
    below: dict[str, list[PciFunction]] = {}
    for own_path in sorted(by_own_path):
        above, _, _ = own_path.rpartition("/")
        if "/" in above:  # a host bridge alone is no position
            below.setdefault(above, []).append(by_own_path[own_path])
    controllers = if_read(snapshot.controllers)
    interfaces: dict[str, list[Interface]] = {}
    for interface in if_read(snapshot.interfaces):
        if interface.address is not None:
            interfaces.setdefault(interface.address, []).append(interface)
    drives = if_read(snapshot.drives)
    return Topology(
        unread=snapshot.functions if isinstance(snapshot.functions, Unread) else None,
        functions=by_own_path,
        below={path: tuple(found) for path, found in below.items()},
        controllers={controller.address: controller for controller in controllers if controller.address is not None},
        off_pci_controllers={controller.path: controller for controller in controllers if controller.path is not None},
        controllers_unread=snapshot.controllers if isinstance(snapshot.controllers, Unread) else None,
        interfaces={address: tuple(found) for address, found in interfaces.items()},
        drives={drive.path: drive for drive in drives if drive.path is not None},
        drives_unread=snapshot.drives if isinstance(snapshot.drives, Unread) else None,
        mapped=dict(_name_mapped(snapshot)),
        shared_serials=shared_serials,
    )


def _name_mapped(snapshot: Snapshot) -> Iterator[tuple[str, tuple[str, ...]]]:
    for device in if_read(snapshot.mapped):
        yield device.name, device.disks
        if device.label:
            yield f"mapper/{device.label}", device.disks
