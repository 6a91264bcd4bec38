"""Where a series comes from: the path, the drive in it, the end of the link or the part that reported.

Rules of this module: a path stays when a drive goes, a serial number goes with the drive; an origin has both, and a
series can be asked for by either. A drive that gives no serial number for a while keeps the one that it gave before.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import NamedTuple

from laneproof.box.topology import Topology, topology_of
from laneproof_collectors.snapshot import Snapshot
from laneproof_collectors.unread import Unread, if_read

PORT, DEVICE, DRIVE = "port", "device", "drive"
"""The end above a link, the end below it, and a drive's own account of itself."""


class Origin(NamedTuple):
    """What a series is about."""

    path: str  # the position's path; where there is none, the name of the thing (an array, a sensor's chip)
    drive: str = ""  # the serial number of the drive in it; empty where there is none, or none that gives one
    end: str = ""  # who reported: `PORT`, `DEVICE`, `DRIVE`, or the name of a part (a member, a sensor)


@dataclass(frozen=True, slots=True, kw_only=True)
class DeviceNames:
    """Where the things are that events name."""

    paths: Mapping[str, str] = field(default_factory=dict)  # path by name: an address, a controller, a disk
    drives: Mapping[str, str] = field(default_factory=dict)  # serial number by name


@dataclass(frozen=True, slots=True, kw_only=True)
class DeviceMap:
    """Where things are, by what the last passes read."""

    boot_id: str
    topology: Topology
    positions: Mapping[str, str] = field(default_factory=dict)  # position by bus address
    serials: Mapping[str, str] = field(default_factory=dict)  # serial number of the NVMe drive at a bus address
    # everything that the kernel may name in an event; what is gone is known until its name is given again
    names: DeviceNames = field(default_factory=DeviceNames)

    def drive_below(self, path: str) -> str:
        """Give the serial number of the drive in a position, empty where none is known."""
        below = self.topology.functions_at(path)
        return self.serials.get(below[0].address, "") if below else ""


def map_devices(snapshot: Snapshot, before: DeviceMap | None = None) -> DeviceMap:
    """Map every device to its path.

    Within one boot an address stands for one position, so what could not be read this time is taken from what an
    earlier pass knew; a serial number only while its function is still there.
    """
    known = before if before is not None and before.boot_id == snapshot.boot_id else None
    topology = topology_of(snapshot)
    if topology.unread is not None and known is not None:
        topology = known.topology
    positions = {function.address: function.path for function in topology.functions.values()}
    read = (
        {}
        if isinstance(snapshot.controllers, Unread)
        else {
            controller.address: controller.serial
            for controller in snapshot.controllers
            if controller.address and isinstance(controller.serial, str)
        }
    )
    kept = {address: serial for address, serial in known.serials.items() if address in positions} if known else {}
    where = DeviceMap(
        boot_id=snapshot.boot_id, topology=topology, positions=positions, serials=_keep(kept, read, snapshot)
    )
    return replace(where, names=_name(snapshot, where, known.names if known else DeviceNames()))


def name_controllers(snapshot: Snapshot) -> object:
    """Give what of the controllers decides where things are: who and where they are, not what they count."""
    controllers = snapshot.controllers
    if isinstance(controllers, Unread):
        return controllers
    return [
        (drive.name, drive.address, drive.path, drive.serial, *(namespace.name for namespace in drive.namespaces))
        for drive in controllers
    ]


def _keep(kept: Mapping[str, str], read: Mapping[str, str], snapshot: Snapshot) -> dict[str, str]:
    """Join what is read now with what was known, unless the controllers were read and one is not there any more."""
    if isinstance(snapshot.controllers, Unread):
        return dict(kept)
    present = {controller.address for controller in snapshot.controllers}
    return {address: serial for address, serial in kept.items() if address in present} | dict(read)


def _name(snapshot: Snapshot, where: DeviceMap, before: DeviceNames) -> DeviceNames:
    """List the names by which events speak of things."""
    paths, drives = dict(before.paths), dict(before.drives)

    def put(name: str, path: str, drive: str) -> None:
        paths[name] = path
        drives[name] = drive

    for function in where.topology.functions.values():
        is_port = where.topology.is_downstream_facing(function)
        path = function.own_path if is_port else function.path
        put(function.address, path, where.drive_below(path) if is_port else where.serials.get(function.address, ""))
    for controller in if_read(snapshot.controllers):
        if path := controller.path or where.positions.get(controller.address or "", ""):
            serial = where.serials.get(controller.address or "", "")
            for name in (controller.name, *(namespace.name for namespace in controller.namespaces)):
                put(name, path, serial)
    for drive in if_read(snapshot.drives):
        put(drive.name, drive.path or "", drive.serial if isinstance(drive.serial, str) else "")
    for interface in if_read(snapshot.interfaces):
        if path := where.positions.get(interface.address or "", ""):
            put(interface.name, path, "")
    return DeviceNames(paths=paths, drives=drives)
