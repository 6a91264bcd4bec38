"""The inventory: every port and device by path, declared and trained side by side, for the audit's text and JSON."""

from dataclasses import dataclass

from laneproof.box.inventory import list_shown_paths
from laneproof.box.link_ends import LinkOfTwo
from laneproof.box.links import generation_at
from laneproof.box.occupants import Occupant
from laneproof.box.topology import Topology, survey
from laneproof.declaration.build import Build
from laneproof.declaration.tables import DeclaredLink
from laneproof.findings import Finding
from laneproof_collectors.snapshot import PciFunction, Snapshot
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
class Place:
    """One port of the tree, or one device with no port above it.

    Attributes:
        path: Its path.
        label: The declared position's label, or the slot's name as ``slot riser``; None where it is not declared.
        declared: The link as declared.
        trained: The link as it is; None where nothing is linked.
        capable: What both ends could do.
        occupant: The device in it.
        has_children: Whether bridges hang below (a switch card, or the inside of one).
        name: What the system calls the function here.
    """

    path: str
    label: str | None
    declared: Width | None
    trained: Width | None
    capable: Width | None
    occupant: Occupant | None
    has_children: bool
    name: str | None

    @property
    def depth(self) -> int:
        """How many hops below the host bridge."""
        return self.path.count("/")

    @property
    def hop(self) -> str:
        """Its own hop."""
        return self.path.rpartition("/")[2]


def is_about(place: Place, finding: Finding) -> bool:
    """Whether a finding is about this place: by its position, else by the path or the device in it."""
    if finding.position is not None:
        return finding.position == place.label
    names: set[object] = {place.path}
    if (occupant := place.occupant) is not None:
        names |= {occupant.name, occupant.own_path, occupant.address, occupant.serial}
    return finding.key in names or finding.subject in names


def list_places(build: Build | None, snapshot: Snapshot) -> tuple[Place, ...]:
    """List what a person wants to see of the tree: positions, ports with something below, and drives; by path."""
    topology = survey(snapshot)
    return tuple(_place(path, build, topology) for path in list_shown_paths(build, topology))


def _place(path: str, build: Build | None, topology: Topology) -> Place:
    position = build.position_at(path) if build else None
    function = topology.functions.get(path)
    link = topology.link_at(path)
    occupant = topology.occupant_at(path) if path not in topology.below or _holds_device(path, topology) else None
    return Place(
        path=path,
        label=position.label if position else None,
        declared=_declared(position.link) if position and position.link else None,
        trained=_width(link, trained=True) if link and link.device else None,
        capable=_width(link, trained=False) if link and link.device else None,
        occupant=occupant,
        has_children=any(one.is_bridge for one in topology.below.get(path, ())),
        name=_name(function),
    )


def _holds_device(path: str, topology: Topology) -> bool:
    return any(not one.is_bridge for one in topology.functions_at(path))


def _name(function: PciFunction | None) -> str | None:
    return (function.device_name or None) if function else None


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
