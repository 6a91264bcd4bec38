"""Words for one place, the same in every text: who is in it, what stands between, where it is, what uses it."""

from collections.abc import Iterator

from laneproof.box.link_ends import LinkOfTwo
from laneproof.box.links import describe_rate
from laneproof.box.names import Membership, Whereabouts
from laneproof.box.occupants import Occupant
from laneproof.declaration.units import format_bytes


def say_occupant(occupant: Occupant | None) -> str:
    """Say who is in a place: name, model, capacity."""
    if occupant is None:
        return "empty"
    told = [occupant.name]
    told += [occupant.model] if isinstance(occupant.model, str) and occupant.model else []
    told += [format_bytes(occupant.capacity_bytes)] if isinstance(occupant.capacity_bytes, int) else []
    return ", ".join(told) + ("" if occupant.answers or occupant.asleep else " (it does not answer)")


def say_serial(occupant: Occupant) -> str:
    """Say the serial number as it should stand on the drive's own label."""
    return occupant.serial if isinstance(occupant.serial, str) and occupant.serial else "not known"


def say_position(place: Whereabouts) -> str:
    """Say where on the board a place is: slot and branch as declared, and what the board's maker calls it."""
    position, told = place.position, []
    if position is not None and position.slot:
        told.append(f"slot {position.slot}" + (f", branch {position.branch}" if position.branch else ""))
    if place.board_names:
        told.append(f"the board calls it {', '.join(place.board_names)}")
    return "; ".join(told)


def say_between(place: Whereabouts) -> str:
    """Say what stands between board and drive, in order, each with what is written on it."""
    parts = place.position.through if place.position else ()
    return ", then ".join(f'{one.kind} marked "{one.id}"' if one.id else one.kind for one in parts)


def say_path(place: Whereabouts) -> str:
    """Say the path, and the bus addresses that hold until the next start."""
    ends = [end for link in place.way for end in (link.port,) if end is not None]
    device = place.occupant.functions[0].address if place.occupant and place.occupant.functions else None
    told = [f"now {device}"] if device else []
    told += [f"behind port {ends[-1].address}"] if ends and ends[-1].own_path == place.path else []
    return f"{place.path}" + (f" ({' '.join(told)})" if told else "")


def say_link(place: Whereabouts) -> str:
    """Say the place's own link as trained, and what both ends could do where that is more."""
    link = next((one for one in place.way if one.path == place.path), None)
    if link is None:
        return ""
    if link.device is None:
        return "no link"
    trained, able = _say_width(link, trained=True), _say_width(link, trained=False)
    return trained if trained == able or not able else f"{trained}; both ends can do {able}"


def _say_width(link: LinkOfTwo, *, trained: bool) -> str:
    rate = link.trained_gt_s.value if trained else link.capable_gt_s
    lanes = link.trained_lanes.value if trained else link.capable_lanes
    told = [f"x{lanes:g}"] if isinstance(lanes, int | float) else []
    told += [f"at {describe_rate(rate)}"] if isinstance(rate, int | float) else []
    return " ".join(told)


def say_membership(one: Membership) -> str:
    """Say a drive's part in an array: ``member 2 of md0 (raid5), by nvme0n1p2, in_sync``."""
    slot = f"member {one.member.slot}" if one.member.slot is not None else "a member without a slot"
    level = f" ({one.array.level})" if isinstance(one.array.level, str) else ""
    state = f", {one.member.state.replace(',', ', ')}" if isinstance(one.member.state, str) else ""
    part = f", by {one.member.name}" if one.member.name != one.member.disk else ""
    return f"{slot} of {one.array.name}{level}{part}{state}"


def list_uses(place: Whereabouts) -> Iterator[str]:
    """List what uses a drive: arrays, and file systems that lie directly on it."""
    yield from (say_membership(one) for one in place.memberships)
    yield from (f"{one.kind} at {one.mount}, on {one.device}" for one in place.file_systems)
