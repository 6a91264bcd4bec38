"""Words for one position, the same in every text: what is in it, what stands between, where it is, what uses it."""

from collections.abc import Iterator

from laneproof.box.link_ends import Link
from laneproof.box.link_rates import describe_rate
from laneproof.box.names import Membership, Position
from laneproof.box.occupants import Occupant
from laneproof.declaration.units import format_bytes


def say_occupant(occupant: Occupant | None) -> str:
    """Say what is in a position: name, model, capacity."""
    if occupant is None:
        return "empty"
    parts = [occupant.name]
    parts += [occupant.model] if isinstance(occupant.model, str) and occupant.model else []
    parts += [format_bytes(occupant.capacity_bytes)] if isinstance(occupant.capacity_bytes, int) else []
    return ", ".join(parts) + ("" if occupant.answers or occupant.asleep else " (it does not answer)")


def say_serial(occupant: Occupant) -> str:
    """Say the serial number as it should stand on the drive's own label."""
    return occupant.serial if isinstance(occupant.serial, str) and occupant.serial else "not known"


def say_position(position: Position) -> str:
    """Say where on the board a position is: slot and branch as declared, and what the board's maker calls it."""
    declared, parts = position.declared, []
    if declared is not None and declared.slot:
        parts.append(f"slot {declared.slot}" + (f", branch {declared.branch}" if declared.branch else ""))
    if position.board_names:
        parts.append(f"the board calls it {', '.join(position.board_names)}")
    return "; ".join(parts)


def say_between(position: Position) -> str:
    """Say what stands between board and drive, in order, each with what is written on it."""
    parts = position.declared.through if position.declared else ()
    return ", then ".join(f'{part.kind} marked "{part.id}"' if part.id else part.kind for part in parts)


def say_path(position: Position) -> str:
    """Say the path, and the bus addresses that hold until the next start."""
    ends = [end for link in position.links for end in (link.port,) if end is not None]
    device = position.occupant.functions[0].address if position.occupant and position.occupant.functions else None
    now = [f"now {device}"] if device else []
    now += [f"behind port {ends[-1].address}"] if ends and ends[-1].own_path == position.path else []
    return f"{position.path}" + (f" ({' '.join(now)})" if now else "")


def say_link(position: Position) -> str:
    """Say the position's own link as trained, and what both ends could do where that is more."""
    link = position.link
    if link is None:
        return ""
    if link.device is None:
        return "no link"
    trained, able = _say_width(link, trained=True), _say_width(link, trained=False)
    return trained if trained == able or not able else f"{trained}; both ends can do {able}"


def _say_width(link: Link, *, trained: bool) -> str:
    rate = link.trained_gt_s.value if trained else link.capable_gt_s
    lanes = link.trained_lanes.value if trained else link.capable_lanes
    words = [f"x{lanes:g}"] if isinstance(lanes, int | float) else []
    words += [f"at {describe_rate(rate)}"] if isinstance(rate, int | float) else []
    return " ".join(words)


def say_membership(membership: Membership) -> str:
    """Say a drive's part in an array: ``member 2 of md0 (raid5), by nvme0n1p2, in_sync``."""
    array, member = membership.array, membership.member
    slot = f"member {member.slot}" if member.slot is not None else "a member without a slot"
    level = f" ({array.level})" if isinstance(array.level, str) else ""
    state = f", {member.state.replace(',', ', ')}" if isinstance(member.state, str) else ""
    part = f", by {member.name}" if member.name != member.disk else ""
    return f"{slot} of {array.name}{level}{part}{state}"


def list_uses(position: Position) -> Iterator[str]:
    """List what uses a drive: arrays, and file systems that lie on it alone."""
    yield from (say_membership(membership) for membership in position.memberships)
    yield from (f"{system.kind} at {system.mount}, on {system.device}" for system in position.file_systems)
