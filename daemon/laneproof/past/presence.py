"""Which position a name of the kernel's log belongs to, and which drive is in which position now."""

from collections.abc import Iterator
from dataclasses import dataclass

from laneproof.box.occupants import Occupant
from laneproof.box.topology import Topology
from laneproof.past.event_joining import path_of


def paths_by_name(topology: Topology) -> dict[str, str]:
    """Give the position of each name that a message may use: addresses of functions and ports, controllers, disks.

    A mapped device has the position of the one drive that it lies on.

    A port's position is the position below it; what sits in that position has the same position.
    """
    paths = {}
    for path, function in topology.functions.items():
        is_port = function.is_bridge and topology.is_downstream_facing(function)
        paths[function.address] = path if is_port else function.path
    for address, controller in topology.controllers.items():
        if address in paths:
            paths[controller.name] = paths[address]
    for path, drive in topology.drives.items():
        paths[drive.name] = path
        hop = path.rpartition("/")[2]
        if hop.startswith("ata-"):
            paths[hop.replace("-", "", 1)] = path
    for path, controller in topology.off_pci_controllers.items():
        paths[controller.name] = path
    for name, disks in topology.mapped.items():
        below = {path_of(disk, paths) for disk in disks}
        if len(below) == 1:  # an error of what lies on several drives is none of one of them
            paths[name] = below.pop()
    return paths


HERE, AWAY, UNSURE, LEAVING = "here", "away", "unsure", "leaving"


@dataclass(frozen=True, slots=True, kw_only=True)
class Presence:
    """A drive in a position."""

    path: str
    serial: str  # its serial number, empty where it could not be read
    name: str
    # here, away (listed, but it does not answer), unsure, or leaving: its driver lets go of it, or has, as in any
    # removal; whether somebody asked for that is known when it is gone
    state: str
    resetting: bool = False
    unbound: bool = False  # whether no driver serves it


def find_presences(topology: Topology) -> Iterator[Presence]:
    """Find which drives are there; nothing at all where controllers or functions could not be read."""
    if topology.unread is not None or topology.controllers_unread is not None:
        return
    for occupant in topology.drive_occupants():
        serial = occupant.serial if isinstance(occupant.serial, str) and not occupant.shares_serial else ""
        resetting = occupant.controller is not None and occupant.controller.state == "resetting"
        yield Presence(
            path=occupant.path,
            serial=serial.strip(),
            name=occupant.name,
            state=_state_of(occupant),
            resetting=resetting,
            unbound=occupant.controller is None and occupant.drive is None,
        )


def _state_of(occupant: Occupant) -> str:
    if occupant.asleep:
        return HERE
    if not occupant.answers:
        return AWAY
    controller = occupant.controller
    if controller is None:
        return HERE if occupant.drive is not None else LEAVING
    if controller.state in ("deleting", "deleting (no IO)"):
        return LEAVING
    return UNSURE if controller.state in ("new", "resetting", "connecting") else HERE
