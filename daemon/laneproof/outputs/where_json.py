"""Where a drive is, as JSON."""

from collections.abc import Sequence
from typing import Any

from laneproof.box.names import Position, derive_link_names
from laneproof.box.occupants import Occupant
from laneproof.outputs.where_text import Finds
from laneproof_collectors.unread import Unread


def as_json(asked: str, found: Sequence[Position], finds: Finds) -> dict[str, Any]:
    """Give the answer as a JSON object; null stands for what is unknown or absent."""
    return {"schema": 1, "asked": asked, "places": [_position(position, finds) for position in found]}


def _position(position: Position, finds: Finds) -> dict[str, Any]:
    declared, occupant = position.declared, position.occupant
    leds = None if finds.leds is None else finds.leds.get(position.path, ())
    return {
        "path": position.path,
        "position": declared.label if declared else None,
        "known_as": position.known_as,
        "slot": declared.slot if declared else None,
        "branch": declared.branch if declared else None,
        "through": [{"kind": part.kind, "id": part.id} for part in declared.through] if declared else None,
        "board_names": list(position.board_names),
        "occupant": _occupant(occupant, finds) if occupant else None,
        "arrays": [
            {
                "name": membership.array.name,
                "level": _known(membership.array.level),
                "member": membership.member.name,
                "slot": membership.member.slot,
                "state": _known(membership.member.state),
            }
            for membership in position.memberships
        ],
        "file_systems": [
            {"mount": system.mount, "device": system.device, "kind": system.kind} for system in position.file_systems
        ],
        "locate_leds": None
        if leds is None
        else [{"kind": str(led.kind), "name": led.name, "file": led.file} for led in leds],
    }


def _occupant(occupant: Occupant, finds: Finds) -> dict[str, Any]:
    links = [name for disk in occupant.disks for name in finds.names.get(disk, ())]
    return {
        "kind": _known(occupant.kind),
        "name": occupant.name,
        "model": _known(occupant.model),
        "serial": _known(occupant.serial),
        "firmware": _known(occupant.firmware),
        "capacity_bytes": _known(occupant.capacity_bytes),
        "addresses": [function.address for function in occupant.functions],
        "disks": list(occupant.disks),
        "links": links or [f"/dev/disk/by-id/{name}" for name in derive_link_names(occupant)],
    }


def _known(value: object) -> object:
    """Give a fact for JSON: the value, or null where it could not be read (findings say why)."""
    return None if isinstance(value, Unread) else value
