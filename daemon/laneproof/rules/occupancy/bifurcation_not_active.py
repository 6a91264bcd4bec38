"""bifurcation-not-active: a slot that the firmware should split in branches carries one link instead."""

from collections.abc import Iterator
from dataclasses import dataclass

from laneproof.advice import FIRMWARE_SETUP, OPEN_CASE, Step, advise
from laneproof.box.placement import Arrangement, Placement, State
from laneproof.declaration.tables import DeclaredSlot
from laneproof.findings import Finding, Kind, Severity
from laneproof.past.past import Past
from laneproof.rules.firmware_setting import bridges_lost, firmware_setting
from laneproof.rules.rule import Pass, Rule, differs, holds
from laneproof_collectors.snapshot import Snapshot


@dataclass(frozen=True, slots=True, kw_only=True)
class SplitTrouble:
    """Why a slot's split is not active.

    Attributes:
        name: The slot.
        slot: Its declaration.
        first: The position on its first branch, if one is declared.
        missing: The positions on the other branches, where no bridge exists for any of them; else empty.
        held_lanes: Lanes that the first branch holds where they are more than its share, else None.
    """

    name: str
    slot: DeclaredSlot
    first: Placement | None
    missing: tuple[Placement, ...]
    held_lanes: int | None


def find_split_troubles(arrangement: Arrangement) -> Iterator[SplitTrouble]:
    """Find the slots whose declared split is not active.

    A branch whose bridge exists and is silent is no trouble of the split.
    """
    for name, slot in (arrangement.build.slot if arrangement.build else {}).items():
        if len(slot.split) < 2 or arrangement.topology.unread is not None:  # noqa: PLR2004 (one branch is no split)
            continue
        branches = [placement for placement in arrangement.placements if placement.position.slot == name]
        first = next((placement for placement in branches if placement.position.branch == 1), None)
        others = tuple(placement for placement in branches if placement.position.branch not in (None, 1))
        held = _lanes_beyond_share(first, slot.split[0])
        missing = others if _all_missing(first, others) else ()
        if missing or held is not None:
            yield SplitTrouble(name=name, slot=slot, first=first, missing=missing, held_lanes=held)


def _lanes_beyond_share(first: Placement | None, share: int) -> int | None:
    """Give the lanes of the first branch where they are more than its share: as trained, or as its port is set up."""
    if first is None or first.link is None or first.port is None:
        return None
    widths = (first.link.trained_lanes.value, first.link.port_lanes.value)
    lanes = max((int(lanes) for lanes in widths if isinstance(lanes, int | float)), default=0)
    return lanes if lanes > share else None


def _all_missing(first: Placement | None, others: tuple[Placement, ...]) -> bool:
    """Whether no bridge exists for any of the other branches, though one of them should carry a device.

    Where the first branch has no bridge either, the whole slot is not there, and position-empty reports its positions.
    """
    if first is not None and first.state is State.NO_BRIDGE:
        return False
    return any(sibling.is_meant_occupied for sibling in others) and all(
        sibling.state is State.NO_BRIDGE for sibling in others
    )


def _judge(current: Pass) -> Iterator[Finding]:
    for trouble in find_split_troubles(current.arrangement):
        yield _report(trouble, current.snapshot, current.past)


def _report(trouble: SplitTrouble, snapshot: Snapshot, past: Past) -> Finding:
    split = "+".join(f"x{lanes}" for lanes in trouble.slot.split)
    labels = [placement.label for placement in trouble.missing]
    seen = []
    if labels:
        seen.append(f"no bridge exists for {', '.join(labels)}")
    if trouble.held_lanes is not None and trouble.first is not None:
        seen.append(f"{trouble.first.label} holds x{trouble.held_lanes} of its x{trouble.slot.split[0]}")
    observed = "; ".join(seen)
    causes = firmware_setting(
        trouble.first.link if trouble.first else None, snapshot, past, rising_lanes=True
    ) or bridges_lost({placement.position.path: placement.label for placement in trouble.missing}, snapshot, past)
    return BIFURCATION_NOT_ACTIVE.report(
        severity=Severity.CRITICAL if labels else Severity.WARNING,
        key=f"slot {trouble.name}",
        summary=f"slot {trouble.name} is declared split in {split}, but the split is not active: {observed}",
        declared=split,
        observed=observed,
        evidence={
            "slot": trouble.name,
            "path": trouble.slot.path,
            "split": list(trouble.slot.split),
            "missing_branches": labels,
            "first_branch_lanes": trouble.held_lanes,
        },
        causes=causes,
    )


BIFURCATION_NOT_ACTIVE = Rule(
    name="bifurcation-not-active",
    kind=Kind.DIFFERS,
    statement="A slot declared as split in branches is split by the firmware.",
    why=(
        "A passive card in a split slot is wires only. Until the firmware splits the slot, its first drive alone "
        "appears and the others are invisible, though nothing is broken. A firmware update or an emptied setup "
        "battery often resets the setting."
    ),
    next_steps=advise(
        Step(
            "Look in the board's firmware setup for the slot's split (x4x4x4x4 and the like, also called bifurcation), "
            "set it, save and start again.",
            (FIRMWARE_SETUP,),
        ),
        "If the setting is there and right, see in the board's manual whether it can split this very slot with this "
        "processor.",
        Step("Only then look at the card.", (OPEN_CASE,)),
    ),
    judge=_judge,
    examples=(
        holds("each branch has its own port of four lanes"),
        differs(
            "one port holds all sixteen lanes, and no bridge exists for the second branch",
            "slot riser is declared split in x4+x4, but the split is not active: no bridge exists for riser-2; "
            "riser-1 holds x16 of its x4",
        ),
        holds("the second branch's bridge exists and is silent: its position is empty, the split is active"),
    ),
    sources=("Trade usage of split slots and passive cards: common practice, no source.",),
)
