"""Sockets and slots at the desk: whether the lanes are there that the positions ask for, and who has to split them.

Source of the keys: pin tables of the M.2 specification as public references give them. B (pins 12 to 19) has up to two
lanes, M (59 to 66) up to four. E (24 to 31) and A (8 to 15) have two lanes that are two links of one lane each, so that
one device gets one (A from memory). A key says what fits, not which lanes the board wires.
"""

from collections.abc import Iterable, Iterator

from laneproof.declaration.build import Build
from laneproof.declaration.quoting import list_words
from laneproof.declaration.tables import DeclaredPosition, DeclaredSlot
from laneproof.desk.problems import BudgetNotes

KEY_LANES = {"M": 4, "B": 2, "B+M": 2, "E": 1, "A": 1}
"""The most lanes that one device gets through an M.2 key; a module with both notches has the lesser's."""

_KEYS_WITH_SATA = ("M", "B", "B+M")  # from memory
_SPLIT = 2  # one branch is no split


def is_through(position: DeclaredPosition, kind: str) -> bool:
    """Whether a part of a kind stands between a position and its device."""
    return any(part.kind == kind for part in position.through)


def branch_lanes(build: Build, position: DeclaredPosition) -> int | None:
    """Give the lanes of a position's branch of its split slot; None where it has none, or does not say which."""
    slot = build.slot.get(position.slot) if position.slot else None
    if slot is None or position.branch is None or position.branch > len(slot.split):
        return None
    return slot.split[position.branch - 1]


def find_impossible(build: Build) -> frozenset[str]:
    """Find the positions that cannot exist: behind branches that nothing makes, or second on a slot for one device."""
    found: set[str] = set()
    for name, slot in build.slot.items():
        positions = [position for position in build.position if position.slot == name]
        if len(slot.split) < _SPLIT:
            found.update(_sharers(positions)[1:])
            continue
        branches = len(slot.split) if slot.bifurcation is not False else 1
        while branches > 1 and slot.lanes is not None and sum(slot.split[:branches]) > slot.lanes:
            branches -= 1
        found.update(position.label for position in positions if (position.branch or 1) > branches)
    return frozenset(found)


def check_slots(build: Build, notes: BudgetNotes) -> tuple[str, ...]:
    """Check each slot's lanes against what hangs on it, and whether it has to be split.

    Returns:
        What the box fits on the condition of.
    """
    conditions: list[str] = []
    for name, slot in build.slot.items():
        positions = [position for position in build.position if position.slot == name]
        conditions += _check_split(name, slot, positions, notes)
        _check_branches(build, name, slot, positions, notes)
    for position in build.position:
        if position.slot is None and is_through(position, "passive-split"):
            notes.problem(
                "split-without-slot",
                position.label,
                f"{position.label} is behind a passive split, but no slot says how it is split (bifurcated)",
            )
    return tuple(conditions)


def _check_split(name: str, slot: DeclaredSlot, positions: list[DeclaredPosition], notes: BudgetNotes) -> Iterator[str]:
    split = "+".join(map(str, slot.split))
    if slot.lanes is not None and sum(slot.split) > slot.lanes:
        says = f"slot {name} has {slot.lanes} lanes, but its split {split} needs {sum(slot.split)}"
        notes.problem("slot-lanes-exceeded", name, says)
    passive = [position.label for position in positions if is_through(position, "passive-split")]
    switched = [position for position in positions if is_through(position, "switch-card")]
    if passive and len(slot.split) < _SPLIT:
        says = (
            f"{list_words(passive)} in slot {name} need the firmware to split the slot (bifurcation), but no split is"
            " declared: without it only the first device of a passive split card appears"
        )
        notes.problem("split-not-planned", name, says)
    if len(slot.split) >= _SPLIT and slot.bifurcation is False:
        says = (
            f"slot {name} is to be split into {split}, but its firmware cannot split it (no bifurcation); a switch card"
            " needs no split"
        )
        notes.problem("split-not-supported", name, says)
    elif len(slot.split) >= _SPLIT and slot.bifurcation is None:
        yield f"its firmware can split slot {name} into {split} (bifurcation)"
    together = _sharers(positions)
    if len(together) > 1 and not slot.split and not passive:
        says = (
            f"{list_words(together)} hang on slot {name}, which serves one device: it is not split and holds no switch"
            " card"
        )
        notes.problem("slot-shared", name, says)
    if switched and slot.split and all(position.branch is None for position in switched):
        says = (
            f"the switch card in slot {name} needs no split, and gets the lanes of one branch while the slot is split"
            f" into {split}"
        )
        notes.problem("switch-in-split-slot", name, says)


def _sharers(positions: list[DeclaredPosition]) -> list[str]:
    """Give the positions that share a slot which is not split."""
    return [
        position.label
        for position in positions
        if not is_through(position, "switch-card") and not (position.occupant and position.occupant.kind == "none")
    ]


def _check_branches(
    build: Build, name: str, slot: DeclaredSlot, positions: Iterable[DeclaredPosition], notes: BudgetNotes
) -> None:
    for position in positions:
        wanted = position.link.lanes if position.link else None
        width = branch_lanes(build, position)
        switched = is_through(position, "switch-card")
        if slot.split and position.branch is None and not switched:
            notes.remark(f"{position.label} does not say which branch of slot {name} it is: its lanes are not checked")
        if wanted is not None and not switched:
            if width is not None and wanted > width:
                where = f"branch {position.branch} of slot {name}"
                says = f"{position.label} is to train x{wanted}, but {where} has {width} lanes"
                notes.problem("branch-too-narrow", position.label, says)
            elif not slot.split and slot.lanes is not None and wanted > slot.lanes:
                says = f"{position.label} is to train x{wanted}, but slot {name} has {slot.lanes} lanes"
                notes.problem("slot-too-narrow", position.label, says)
        generation = position.link.generation if position.link else None
        if generation and slot.generation and generation > slot.generation and not switched:
            says = (
                f"{position.label} is to train at generation {generation}, but slot {name} carries generation"
                f" {slot.generation}"
            )
            notes.problem("slot-too-slow", position.label, says)


def check_devices(build: Build, notes: BudgetNotes) -> None:
    """Check each link against its own device: what the device cannot do would look like a fault on every audit."""
    for position in build.position:
        link, device = position.link, position.occupant
        if link is None or device is None:
            continue
        pairs = (("generation ", link.generation, device.generation), ("x", link.lanes, device.lanes))
        beyond = [(word, meant, can) for word, meant, can in pairs if meant and can and meant > can]
        if beyond:
            meant = " ".join(f"{word}{meant}" for word, meant, _ in beyond)
            can = " ".join(f"{word}{can}" for word, _, can in beyond)
            says = f"{position.label} is to train at {meant}, and its device can do {can}"
            notes.problem("link-beyond-device", position.label, says)


def check_keys(build: Build, notes: BudgetNotes) -> None:
    """Check each M.2 socket's key against lanes and device."""
    for position in build.position:
        key = position.key
        if key is None:
            continue
        most = KEY_LANES[key]
        wanted = position.link.lanes if position.link else None
        if wanted is not None and wanted > most:
            two_links = ": its two lanes are two links of one lane" if key in ("E", "A") else ""
            says = f"{position.label} is to train x{wanted}, but key {key} gives one device x{most}{two_links}"
            notes.problem("key-too-narrow", position.label, says)
        kind = position.occupant.kind if position.occupant else None
        if kind == "sata" and key not in _KEYS_WITH_SATA:
            says = f"{position.label} is to hold a SATA drive, but key {key} carries no SATA"
            notes.problem("key-without-sata", position.label, says)
        if kind == "nvme" and key in ("E", "A") and not is_through(position, "key-adapter"):
            says = f"{position.label} is to hold an NVMe drive, which has key M, but key {key} without an adapter"
            notes.problem("key-does-not-fit", position.label, says)
