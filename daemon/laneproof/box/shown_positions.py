"""The positions that every output shows, by path: declared ones, drives, and the ports on the way to them."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from laneproof.box.link_rates import generation_at
from laneproof.box.occupants import Occupant
from laneproof.box.topology import Topology, topology_of
from laneproof.declaration.build import Build
from laneproof_collectors.snapshot import Snapshot
from laneproof_collectors.unread import Unread


@dataclass(frozen=True, slots=True, kw_only=True)
class RateAndLanes:
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
    declared: RateAndLanes | None
    trained: RateAndLanes | None
    capable: RateAndLanes | None
    occupant: Occupant | None
    has_children: bool


def list_positions(build: Build | None, snapshot: Snapshot) -> tuple[ShownPosition, ...]:
    """List the positions to show, by path."""
    topology = topology_of(snapshot)
    return tuple(show_position(path, build, topology) for path in list_shown_paths(build, topology))


def list_shown_paths(build: Build | None, tree: Topology) -> tuple[str, ...]:
    """List what a person wants to see of the tree: positions, drives, and the ports on the way to them; by path."""
    shown = {position.path for position in build.position} if build else set()
    shown |= {occupant.path for occupant in tree.drive_occupants()}
    shown |= {prefix for path in tuple(shown) for prefix in _prefixes(path) if prefix in tree.functions}
    return tuple(sorted(shown, key=lambda path: path.split("/")))


def _prefixes(path: str) -> Iterator[str]:
    root, *hops = path.split("/")
    for depth in range(1, len(hops)):
        yield "/".join((root, *hops[:depth]))


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


def show_position(path: str, build: Build | None, tree: Topology) -> ShownPosition:
    """Show the position at a path, declared or not."""
    declared = build.position_at(path) if build else None
    link = tree.link_at(path)
    linked = link if link and link.device else None
    holds_device = path not in tree.below or any(not function.is_bridge for function in tree.functions_at(path))
    plan = declared.link if declared else None
    return ShownPosition(
        path=path,
        label=declared.label if declared else None,
        declared=RateAndLanes(generation=plan.generation, lanes=plan.lanes) if plan else None,
        trained=join_rate_and_lanes(linked.trained_gt_s.value, linked.trained_lanes.value) if linked else None,
        capable=join_rate_and_lanes(linked.capable_gt_s, linked.capable_lanes) if linked else None,
        occupant=tree.occupant_at(path) if holds_device else None,
        has_children=any(function.is_bridge for function in tree.below.get(path, ())),
    )


def join_rate_and_lanes(gt_s: float | Unread | None, lanes: float | Unread | None) -> RateAndLanes:
    """Join a link's rate and lanes, as far as they are known."""
    rate = gt_s if isinstance(gt_s, int | float) else None
    return RateAndLanes(
        generation=generation_at(rate) if rate is not None else None,
        lanes=int(lanes) if isinstance(lanes, int | float) else None,
        gt_s=rate,
    )
