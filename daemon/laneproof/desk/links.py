"""The links at the desk: what each position's link can carry alone, and what is left when all are busy at once.

PCI Express carries the same both ways at once: drives that are read and network cards that send what was read share
links without taking from each other.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace

from laneproof.box.link_rates import Direction, ceilings_all_busy, link_bytes_per_second, payload_bytes_per_second
from laneproof.declaration.build import Build
from laneproof.declaration.quoting import list_words
from laneproof.declaration.tables import DeclaredPosition
from laneproof.desk.problems import BudgetNotes
from laneproof.desk.sockets import KEY_LANES, branch_lanes, find_impossible, is_through
from laneproof.desk.typical_throughput import Range, reach_of_drive

SATA_BYTES_PER_SECOND = 600_000_000
"""6 Gb/s with 8b/10b coding. Source: Serial ATA specification, revision 3, generation 3 signalling."""
_SATA_PAYLOAD_SHARE = 8192 / 8208  # a data frame of 8192 bytes has 16 more (from memory)
_NO_BRANCH = "branch, which cannot exist"


@dataclass(frozen=True, slots=True, kw_only=True)
class LinkBudget:
    """What one position's link can carry; None where the declaration does not say enough.

    Attributes:
        kind: The occupant's kind; None where it is not declared.
        generation: As it will train: the least of what link, slot and device say.
        lanes: Likewise, with branch and key.
        limited_by: What sets generation and lanes, where the device could do more.
        link_bytes_per_second: After line coding.
        payload_bytes_per_second: After packet overhead, reading.
        write_payload_bytes_per_second: The same, writing.
        all_busy_bytes_per_second: What is left when all drives are read, and all network cards send, at once.
        shared: Names of the links shared with others, the widest share last.
        known_reach_bytes_per_second: What such a drive alone is known to reach, from and to.
    """

    label: str
    kind: str | None
    generation: int | None = None
    lanes: int | None = None
    limited_by: str | None = None
    link_bytes_per_second: float | None = None
    payload_bytes_per_second: float | None = None
    write_payload_bytes_per_second: float | None = None
    all_busy_bytes_per_second: float | None = None
    shared: tuple[str, ...] = ()
    known_reach_bytes_per_second: Range | None = None

    @property
    def cannot_exist(self) -> bool:
        """Whether nothing makes the branch that it is meant to be."""
        return self.limited_by == _NO_BRANCH

    @property
    def is_sender(self) -> bool:
        """Whether what it carries goes to the device while the drives are read: a network card sends what was read."""
        return self.kind == "network"


@dataclass(frozen=True, slots=True, kw_only=True)
class SharedLink:
    """A link that several positions share.

    Attributes:
        generation: Of the shared link, and its lanes likewise; None where it is not declared.
        payload_bytes_per_second: What it carries for all of them, each way.
        wanted_bytes_per_second: What the drives among them could be read at together if it were not for this link; what
            network cards could send where there are no others.
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

    Returns:
        The positions in the declaration's order, and the links that several of them share.
    """
    impossible = find_impossible(build)
    alone = {
        position.label: _budget_alone(build, position, notes, exists=position.label not in impossible)
        for position in build.position
    }
    shared = tuple(_find_shared(build, alone, notes))
    _remark_on_unlimited(build, shared, notes)
    busy = _share_out(alone, shared)
    links = (
        replace(
            link,
            all_busy_bytes_per_second=busy.get(label),
            shared=tuple(link.name for link in shared if label in link.positions),
        )
        for label, link in alone.items()
    )
    return tuple(links), shared


def _share_out(alone: Mapping[str, LinkBudget], shared: tuple[SharedLink, ...]) -> dict[str, float]:
    # A position and a shared link may have the same name, and a shared link has two directions: a tuple for each.
    carries = {label: link.payload_bytes_per_second for label, link in alone.items() if link.payload_bytes_per_second}
    capacities: dict[tuple[str, str], float] = {("position", label): rate for label, rate in carries.items()}
    routes = {label: [("position", label)] for label in carries}
    for link in shared:
        for label in link.positions:
            if label in routes and link.payload_bytes_per_second:
                way = ("sent over" if alone[label].is_sender else "read over", link.name)
                capacities[way] = link.payload_bytes_per_second
                routes[label].append(way)
    return ceilings_all_busy(routes, capacities)


def _remark_on_unlimited(build: Build, shared: tuple[SharedLink, ...], notes: BudgetNotes) -> None:
    limited = {label for link in shared for label in link.positions}
    free = [
        position.label
        for position in build.position
        if is_through(position, "switch-card") and position.label not in limited
    ]
    if free:
        notes.remark(
            f"{list_words(free)}: behind a switch card whose own link is not declared, so no limit is taken; give it a"
            " slot, or [uplink.NAME] with path, generation and lanes"
        )


def _budget_alone(build: Build, position: DeclaredPosition, notes: BudgetNotes, *, exists: bool) -> LinkBudget:
    kind = position.occupant.kind if position.occupant else None
    empty = LinkBudget(label=position.label, kind=kind)
    if kind == "none":
        return empty
    if not exists:
        return replace(empty, limited_by=_NO_BRANCH)
    if kind == "sata" and position.link is None:
        notes.assumption("SATA drives are linked at 6 Gb/s", "Serial ATA revision 3")
        payload = SATA_BYTES_PER_SECOND * _SATA_PAYLOAD_SHARE
        return replace(
            empty,
            link_bytes_per_second=SATA_BYTES_PER_SECOND,
            payload_bytes_per_second=payload,
            write_payload_bytes_per_second=payload,
        )
    generation, by_generation = _least(_generations(build, position))
    lanes, by_lanes = _least(_widths(build, position))
    known = replace(
        empty, generation=generation, lanes=lanes, limited_by=_name_limit(position, by_generation, by_lanes)
    )
    if generation is None or lanes is None:
        why = "neither its link nor its device says generation and lanes"
        why = "what a USB drive gets depends on its port and its bridge" if kind == "usb" else why
        notes.remark(f"{position.label}: {why}, so it has no ceiling")
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
        known_reach_bytes_per_second=reach_of_drive(kind, read, position.occupant.read if position.occupant else None),
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
    is_own = not is_through(position, "switch-card")  # behind a switch card the slot's lanes are the card's
    return [
        (position.occupant.lanes if position.occupant else None, "device"),
        (position.link.lanes if position.link else None, "link"),
        (branch_lanes(build, position) if is_own else None, "branch"),
        (slot.lanes if slot and is_own and not slot.split else None, "slot"),
        (KEY_LANES[position.key] if position.key else None, f"key {position.key}"),
    ]


def _least(limits: _Limits) -> tuple[int | None, str]:
    """Give the least limit and who sets it; the device first where several are equal."""
    known = [(value, who) for value, who in limits if value is not None]
    return min(known, key=lambda limit: limit[0], default=(None, ""))


def _name_limit(position: DeclaredPosition, by_generation: str, by_lanes: str) -> str | None:
    """Say what holds the device back, where it is known to be capable of more."""
    device = position.occupant
    limits = [
        who for who, own in ((by_generation, device and device.generation), (by_lanes, device and device.lanes)) if own
    ]
    holding = list(dict.fromkeys(who for who in limits if who != "device"))
    return " and ".join(holding) or None


def labels_below(build: Build, path: str, named: tuple[str, ...] = ()) -> tuple[str, ...]:
    """Give the positions below a bridge, and those that are named to be."""
    return tuple(
        position.label
        for position in build.position
        if position.label in named or (path and position.path.startswith(f"{path}/"))
    )


def _find_shared(build: Build, alone: dict[str, LinkBudget], notes: BudgetNotes) -> Iterator[SharedLink]:
    for name, uplink in build.uplink.items():
        below = labels_below(build, uplink.path or "", uplink.positions)
        yield _share(name, uplink.generation, uplink.lanes, below, alone, notes)
    for card in build.position:
        if below := labels_below(build, card.path):  # a position that others are below is a card's own
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
        yield _share(title, slot.generation, lanes, tuple(position.label for position in positions), alone, notes)


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
    readers = [label for label in positions if not alone[label].is_sender]
    return SharedLink(
        name=name,
        generation=generation,
        lanes=lanes,
        payload_bytes_per_second=carries,
        positions=positions,
        wanted_bytes_per_second=sum(alone[label].payload_bytes_per_second or 0.0 for label in readers or positions),
    )
