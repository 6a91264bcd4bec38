"""The positions that every output shows, by path: declared ones, drives, and the ports on the way to them."""

from collections.abc import Sequence
from dataclasses import dataclass

from laneproof.box.inventory import list_shown_paths
from laneproof.box.link_ends import LinkOfTwo
from laneproof.box.links import generation_at
from laneproof.box.occupants import Occupant
from laneproof.box.topology import Topology, survey
from laneproof.declaration.build import Build
from laneproof.declaration.tables import DeclaredLink
from laneproof.findings import Finding
from laneproof_collectors.snapshot import Snapshot
from laneproof_collectors.unread import Unread


@dataclass(frozen=True, slots=True, kw_only=True)
class Width:
    """Generation and lanes of one link; None where unknown or not said."""

    generation: int | None
    lanes: int | None
    gt_s: float | None = None

    def __str__(self) -> str:
        """Give ``gen4 x4``; a part that is not known is a question mark."""
        lanes = f"x{self.lanes if self.lanes is not None else '?'}"
        if self.generation is None and self.gt_s is not None:
            return f"{self.gt_s:g}GT/s {lanes}"
        return f"gen{self.generation or '?'} {lanes}"


@dataclass(frozen=True, slots=True, kw_only=True)
class ShownPosition:
    """One port of the tree, or one device with no port above it.

    Attributes:
        path: Its path.
        label: The declared position's label; None where it is not declared.
        declared: The link as declared.
        trained: The link as it is; None where nothing is linked.
        capable: What both ends could do.
        occupant: The device in it.
        has_children: Whether bridges hang below (a switch card, or the inside of one).
    """

    path: str
    label: str | None
    declared: Width | None
    trained: Width | None
    capable: Width | None
    occupant: Occupant | None
    has_children: bool


def is_about(position: ShownPosition, finding: Finding) -> bool:
    """Whether a finding is about this position: by its label, else by the path or the device in it."""
    if finding.position is not None:
        return finding.position == position.label
    names: set[object] = {position.path}
    if (occupant := position.occupant) is not None:
        names |= {occupant.name, occupant.own_path, occupant.address, occupant.serial}
    return finding.key in names or finding.subject in names


def list_positions(build: Build | None, snapshot: Snapshot) -> tuple[ShownPosition, ...]:
    """List the positions to show, by path."""
    topology = survey(snapshot)
    return tuple(_describe(path, build, topology) for path in list_shown_paths(build, topology))


def arrange_tree(positions: Sequence[ShownPosition]) -> dict[str, list[ShownPosition]]:
    """Arrange positions by what they hang on: the path of the nearest one above that is shown, else the host bridge.

    Args:
        positions: In the order of their paths.

    Returns:
        The host bridges first, as paths without a hop, then every position that has others below.
    """
    shown = {position.path for position in positions}
    tree: dict[str, list[ShownPosition]] = {root: [] for root in sorted({path.split("/")[0] for path in shown})}
    for position in positions:
        above = position.path.rpartition("/")[0] or position.path
        while "/" in above and above not in shown:
            above = above.rpartition("/")[0]
        tree.setdefault(above, []).append(position)
    return tree


def _describe(path: str, build: Build | None, topology: Topology) -> ShownPosition:
    position = build.position_at(path) if build else None
    link = topology.link_at(path)
    occupant = topology.occupant_at(path) if path not in topology.below or _holds_device(path, topology) else None
    return ShownPosition(
        path=path,
        label=position.label if position else None,
        declared=_declared(position.link) if position and position.link else None,
        trained=_width(link, trained=True) if link and link.device else None,
        capable=_width(link, trained=False) if link and link.device else None,
        occupant=occupant,
        has_children=any(function.is_bridge for function in topology.below.get(path, ())),
    )


def _holds_device(path: str, topology: Topology) -> bool:
    return any(not function.is_bridge for function in topology.functions_at(path))


def _declared(plan: DeclaredLink) -> Width:
    return Width(generation=plan.generation, lanes=plan.lanes)


def _width(link: LinkOfTwo, *, trained: bool) -> Width:
    gt_s = link.trained_gt_s.value if trained else link.capable_gt_s
    lanes = link.trained_lanes.value if trained else link.capable_lanes
    rate = gt_s if isinstance(gt_s, int | float) else None
    return Width(
        generation=generation_at(rate) if rate is not None else None,
        lanes=int(lanes) if isinstance(lanes, int | float) else None,
        gt_s=rate,
    )


def known(value: object) -> object:
    """Give a fact for JSON: the value, or null where it could not be read (findings say why)."""
    return None if isinstance(value, Unread) else value
