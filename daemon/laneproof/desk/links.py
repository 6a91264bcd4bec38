"""The links of a plan: what each position's link can carry alone, and what is left when all are busy at once."""

from collections.abc import Iterator
from dataclasses import dataclass, replace

from laneproof.box.links import Direction, ceilings_all_busy, link_bytes_per_second, payload_bytes_per_second
from laneproof.declaration.build import Build
from laneproof.declaration.quoting import list_words
from laneproof.declaration.tables import DeclaredPosition
from laneproof.desk.notes import BudgetNotes
from laneproof.desk.sockets import KEY_LANES, branch_lanes, is_through

SATA_BYTES_PER_SECOND = 600_000_000
"""6 Gb/s with 8b/10b coding. Source: Serial ATA specification, revision 3, generation 3 signalling."""
_SATA_PAYLOAD_SHARE = 8192 / 8208  # a data frame of 8192 bytes has 16 more (from memory)


@dataclass(frozen=True, slots=True, kw_only=True)
class LinkBudget:
    """What one position's link can carry; None where the declaration does not say enough.

    Attributes:
        label: The position.
        kind: The occupant's kind; None where it is not declared.
        generation: As it will train: the least of what link, slot and device say.
        lanes: Likewise, with branch and key.
        limited_by: What sets generation and lanes, where the device could do more.
        link_bytes_per_second: After line coding.
        payload_bytes_per_second: After packet overhead, reading.
        write_payload_bytes_per_second: The same, writing.
        busy_bytes_per_second: What is left reading when all positions are busy at once.
        shared: Names of the links shared with others, the widest share last.
    """

    label: str
    kind: str | None
    generation: int | None = None
    lanes: int | None = None
    limited_by: str | None = None
    link_bytes_per_second: float | None = None
    payload_bytes_per_second: float | None = None
    write_payload_bytes_per_second: float | None = None
    busy_bytes_per_second: float | None = None
    shared: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class SharedLink:
    """A link that several positions share.

    Attributes:
        name: What to call it.
        generation: Of the shared link; None where it is not declared.
        lanes: Likewise.
        payload_bytes_per_second: What it carries for all of them.
        positions: Their labels.
        wanted_bytes_per_second: What they could take together if it were not for this link.
    """

    name: str
    generation: int | None
    lanes: int | None
    payload_bytes_per_second: float | None
    positions: tuple[str, ...]
    wanted_bytes_per_second: float

    @property
    def is_narrow(self) -> bool:
        """Whether it carries less than its positions could take together."""
        carries = self.payload_bytes_per_second
        return carries is not None and carries < self.wanted_bytes_per_second * (1 - 1e-9)


def budget_links(build: Build, notes: BudgetNotes) -> tuple[tuple[LinkBudget, ...], tuple[SharedLink, ...]]:
    """Work out what each position's link can carry, alone and with all others busy.

    Args:
        build: The declaration.
        notes: Where to note what is taken for granted.

    Returns:
        The positions in the declaration's order, and the links that several of them share.
    """
    alone = {one.label: _budget_alone(build, one, notes) for one in build.position}
    shared = tuple(_find_shared(build, alone, notes))
    _remark_on_unlimited(build, shared, notes)
    # A position and a shared link may have the same name: their kinds tell them apart.
    capacities = {("position", label): link.payload_bytes_per_second or 0.0 for label, link in alone.items()}
    capacities |= {("shared", one.name): one.payload_bytes_per_second for one in shared if one.payload_bytes_per_second}
    routes = {
        label: [("position", label)]
        + [("shared", one.name) for one in shared if label in one.positions and one.payload_bytes_per_second]
        for label, link in alone.items()
        if link.payload_bytes_per_second
    }
    busy = ceilings_all_busy(routes, capacities)
    links = (
        replace(
            link,
            busy_bytes_per_second=busy.get(label),
            shared=tuple(one.name for one in shared if label in one.positions),
        )
        for label, link in alone.items()
    )
    return tuple(links), shared


def _remark_on_unlimited(build: Build, shared: tuple[SharedLink, ...], notes: BudgetNotes) -> None:
    limited = {label for one in shared for label in one.positions}
    free = [one.label for one in build.position if is_through(one, "switch-card") and one.label not in limited]
    if free:
        notes.remark(
            f"{list_words(free)}: behind a switch card whose own link is not declared, so no limit is taken; give it a"
            " slot, or [uplink.NAME] with path, generation and lanes"
        )


def _budget_alone(build: Build, position: DeclaredPosition, notes: BudgetNotes) -> LinkBudget:
    kind = position.occupant.kind if position.occupant else None
    empty = LinkBudget(label=position.label, kind=kind)
    generation, by_generation = _least(_generations(build, position))
    lanes, by_lanes = _least(_widths(build, position))
    if kind == "none":
        return empty
    if kind == "sata" and position.link is None:
        notes.assumption("SATA drives are linked at 6 Gb/s", "Serial ATA revision 3")
        payload = SATA_BYTES_PER_SECOND * _SATA_PAYLOAD_SHARE
        return replace(
            empty,
            link_bytes_per_second=SATA_BYTES_PER_SECOND,
            payload_bytes_per_second=payload,
            write_payload_bytes_per_second=payload,
        )
    known = replace(
        empty, generation=generation, lanes=lanes, limited_by=_name_limit(position, by_generation, by_lanes)
    )
    if generation is None or lanes is None:
        notes.remark(
            f"{position.label}: neither its link nor its device says generation and lanes, so it has no ceiling"
        )
        return known
    payload_bytes = int(notes.figure("max_payload_bytes"))
    read, write = (
        payload_bytes_per_second(generation, lanes, max_payload_bytes=payload_bytes, direction=direction)
        for direction in (Direction.READ, Direction.WRITE)
    )
    return replace(
        known,
        link_bytes_per_second=link_bytes_per_second(generation, lanes),
        payload_bytes_per_second=read,
        write_payload_bytes_per_second=write,
    )


_Limits = list[tuple[int | None, str]]


def _generations(build: Build, position: DeclaredPosition) -> _Limits:
    slot = build.slot.get(position.slot) if position.slot else None
    return [
        (position.occupant.generation if position.occupant else None, "device"),
        (position.link.generation if position.link else None, "link"),
        (slot.generation if slot and not is_through(position, "switch-card") else None, "slot"),
    ]


def _widths(build: Build, position: DeclaredPosition) -> _Limits:
    slot = build.slot.get(position.slot) if position.slot else None
    is_alone = slot is not None and not slot.split and not is_through(position, "switch-card")
    is_branch = not is_through(position, "switch-card")
    return [
        (position.occupant.lanes if position.occupant else None, "device"),
        (position.link.lanes if position.link else None, "link"),
        (branch_lanes(build, position) if is_branch else None, "branch"),
        (slot.lanes if slot and is_alone else None, "slot"),
        (KEY_LANES[position.key] if position.key else None, f"key {position.key}"),
    ]


def _least(limits: _Limits) -> tuple[int | None, str]:
    """Give the least limit and who sets it; the device first where several are equal."""
    known = [(value, who) for value, who in limits if value is not None]
    return min(known, key=lambda one: one[0], default=(None, ""))


def _name_limit(position: DeclaredPosition, by_generation: str, by_lanes: str) -> str | None:
    """Say what holds the device back, where it is known to be capable of more."""
    device = position.occupant
    limits = [
        who for who, own in ((by_generation, device and device.generation), (by_lanes, device and device.lanes)) if own
    ]
    holding = list(dict.fromkeys(who for who in limits if who != "device"))
    return " and ".join(holding) or None


def _find_shared(build: Build, alone: dict[str, LinkBudget], notes: BudgetNotes) -> Iterator[SharedLink]:
    for name, uplink in build.uplink.items():
        below = tuple(
            one.label
            for one in build.position
            if one.label in uplink.positions or (uplink.path and one.path.startswith(f"{uplink.path}/"))
        )
        yield _share(name, uplink.generation, uplink.lanes, below, alone, notes)
    for card in build.position:
        below = tuple(one.label for one in build.position if one.path.startswith(f"{card.path}/"))
        if below:  # a position that others are below is a card's own
            link = alone[card.label]
            yield _share(card.label, link.generation, link.lanes, below, alone, notes)
    cards: dict[tuple[str, int | None], list[DeclaredPosition]] = {}
    for position in build.position:
        if position.slot and is_through(position, "switch-card"):
            cards.setdefault((position.slot, position.branch), []).append(position)
    for (name, branch), positions in cards.items():
        slot = build.slot[name]
        lanes = branch_lanes(build, positions[0]) or (None if slot.split else slot.lanes)
        title = f"slot {name}" if branch is None else f"slot {name}, branch {branch}"
        yield _share(title, slot.generation, lanes, tuple(one.label for one in positions), alone, notes)


def _share(  # noqa: PLR0913 (a link, and who shares it)
    name: str,
    generation: int | None,
    lanes: int | None,
    positions: tuple[str, ...],
    alone: dict[str, LinkBudget],
    notes: BudgetNotes,
) -> SharedLink:
    carries = None
    if generation is None or lanes is None:
        notes.remark(
            f"{name} is shared by {len(positions)} positions, but does not say generation and lanes: no limit is taken"
        )
    else:
        payload_bytes = int(notes.figure("max_payload_bytes"))
        carries = payload_bytes_per_second(generation, lanes, max_payload_bytes=payload_bytes)
    return SharedLink(
        name=name,
        generation=generation,
        lanes=lanes,
        payload_bytes_per_second=carries,
        positions=positions,
        wanted_bytes_per_second=sum(alone[label].payload_bytes_per_second or 0.0 for label in positions),
    )
