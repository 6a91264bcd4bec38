"""Where a drive is, as JSON."""

from collections.abc import Sequence
from typing import Any

from laneproof.box.names import Whereabouts, derive_link_names
from laneproof.box.occupants import Occupant
from laneproof.outputs.inventory import known
from laneproof.outputs.where_text import Finds


def as_json(asked: str, found: Sequence[Whereabouts], finds: Finds) -> dict[str, Any]:
    """Give the answer as a JSON object; null is what is not known or not there."""
    return {"schema": 1, "asked": asked, "places": [_place(one, finds) for one in found]}


def _place(place: Whereabouts, finds: Finds) -> dict[str, Any]:
    position, occupant = place.position, place.occupant
    leds = None if finds.leds is None else finds.leds.get(place.path, ())
    return {
        "path": place.path,
        "position": position.label if position else None,
        "known_as": place.known_as,
        "slot": position.slot if position else None,
        "branch": position.branch if position else None,
        "through": [{"kind": one.kind, "id": one.id} for one in position.through] if position else None,
        "board_names": list(place.board_names),
        "occupant": _occupant(occupant, finds) if occupant else None,
        "arrays": [
            {
                "name": one.array.name,
                "level": known(one.array.level),
                "member": one.member.name,
                "slot": one.member.slot,
                "state": known(one.member.state),
            }
            for one in place.memberships
        ],
        "file_systems": [{"mount": one.mount, "device": one.device, "kind": one.kind} for one in place.file_systems],
        "locate_leds": None
        if leds is None
        else [{"kind": str(one.kind), "name": one.name, "file": one.file} for one in leds],
    }


def _occupant(occupant: Occupant, finds: Finds) -> dict[str, Any]:
    links = [name for disk in occupant.disks for name in finds.names.get(disk, ())]
    return {
        "kind": known(occupant.kind),
        "name": occupant.name,
        "model": known(occupant.model),
        "serial": known(occupant.serial),
        "firmware": known(occupant.firmware),
        "capacity_bytes": known(occupant.capacity_bytes),
        "addresses": [one.address for one in occupant.functions],
        "disks": list(occupant.disks),
        "links": links or [f"/dev/disk/by-id/{name}" for name in derive_link_names(occupant)],
    }
