"""The links that are judged, and why one trained below what it should: the part that all link rules share.

A link is judged against its declaration. Without one it is judged against what both its ends can do, as a notice. One
that rests, because its device sleeps or its hardware lowered the rate by itself while power management is on, is not at
fault: a resting link rises again under load, a fault stays.
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from laneproof.box.link_ends import Link, LinkFigure
from laneproof.box.link_rates import describe_rate, generation_at, link_bytes_per_second, rate_of
from laneproof.box.placement import Arrangement
from laneproof.declaration.tables import DeclaredPosition
from laneproof_collectors.snapshot import Snapshot
from laneproof_collectors.unread import Unread, if_read

SOURCES = (
    "PCI Express Base Specification, Link Capabilities, Link Control 2 and Link Status (pci_regs.h, PCI_EXP_LNK*)",
    "Linux Documentation/ABI/testing/sysfs-bus-pci and drivers/pci/probe.c (current_ and max_link_speed, _width)",
    "drivers/pci/quirks.c, pcie_failed_link_retrain, since 6.5: the kernel holds a port at 2.5 GT/s",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class LinkSubject:
    """One link to judge.

    Attributes:
        link: The link, None where a declared position holds a device that shows none.
        position: The declared position it ends in, None elsewhere.
        path: Where it ends.
        declared_gt_s: The declared rate, None where none is.
        declared_lanes: The declared width, None where none is.
        is_declared: Whether a link is declared here at all.
        is_shared: Whether it is no position itself, but declared positions share it: judged as far as it can be read,
            never unverified.
    """

    link: Link | None
    position: DeclaredPosition | None
    path: str
    declared_gt_s: float | None = None
    declared_lanes: int | None = None
    is_declared: bool = False
    is_shared: bool = False

    @property
    def name(self) -> str:
        """What a person calls it: the label, else the path."""
        return self.position.label if self.position else self.path

    @property
    def address(self) -> str:
        """The bus address to show."""
        return self.link.address if self.link else self.path

    @property
    def label(self) -> str | None:
        """The position's label, None where there is none."""
        return self.position.label if self.position else None


def find_subjects(arrangement: Arrangement) -> Iterator[LinkSubject]:
    """Find the links to judge: those of declared positions that hold a device, and the links that they share.

    Without a build: all links between the host and a drive or a network card.
    """
    if arrangement.build is None:
        for link in arrangement.topology.links():
            if link.path not in arrangement.relevant_paths:
                continue  # a graphics card that rests or a card reader that sleeps worries nobody
            yield LinkSubject(link=link, position=None, path=link.path)
        return
    for placement in arrangement.placements:
        if placement.is_occupied and not placement.is_meant_empty:
            declared = placement.position.link
            yield LinkSubject(
                link=placement.link,
                position=placement.position,
                path=placement.position.path,
                declared_gt_s=rate_of(declared.generation) if declared and declared.generation else None,
                declared_lanes=declared.lanes if declared else None,
                is_declared=declared is not None,
            )
    yield from _find_shared(arrangement)


def _find_shared(arrangement: Arrangement) -> Iterator[LinkSubject]:
    """Give the links that lie between declared positions and the host and are no position themselves, each once."""
    known = set(arrangement.label_by_path)
    for placement in arrangement.placements:
        for link in arrangement.topology.links_to(placement.position.path):
            if link.path not in known and link.device is not None:
                known.add(link.path)
                yield LinkSubject(link=link, position=None, path=link.path, is_shared=True)


# --- at rest ----------------------------------------------------------------------------------------------------------


def find_rest(link: Link) -> str | None:
    """Say why a link may rest below its rate or width, None where nothing speaks for it.

    It may where an end sleeps (runtime status, D3), or where the port says that hardware lowered the link by itself for
    other reasons than errors (autonomous bandwidth status without bandwidth management status) while the device's power
    management is on.

    Source: PCI Express Base Specification, Link Status register, bits 14 and 15 (pci_regs.h, ``PCI_EXP_LNKSTA_LBMS``,
        ``_LABS``); Documentation/ABI/testing/sysfs-devices-power.
    """
    for end in (link.device, link.port):
        if end is not None and end.power.sleeps:
            return f"{end.address} sleeps (power state {end.power.state}, runtime status {end.power.runtime_status})"
    registers, device = link.port_registers, link.device
    if registers is None or device is None or device.power.control != "auto":
        return None
    if registers.autonomous_bandwidth_status and not registers.bandwidth_management_status:
        return f"the hardware lowered the link by itself while {device.address} is power-managed (power/control auto)"
    return None


# --- why --------------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class Shortfall:
    """Why a link is below what it should be, as far as the machine shows it.

    Attributes:
        code: device-limit, port-limit, target-speed, training, or unknown.
        text: The same in words.
    """

    code: str
    text: str


STEP_BY_REASON = {
    "device-limit": "Look at the device's data sheet: it may be a make with fewer lanes or an older generation.",
    "port-limit": (
        "Look in the board's manual what this socket is wired for, and in the firmware setup how its lanes are split "
        "and which of them other sockets share."
    ),
    "target-speed": (
        "Look in the firmware setup for the socket's link speed, and set it to automatic or to the rate you mean. "
        "'laneproof explain link-slow' describes the kernel's own limit at 2.5 GT/s; a cold start tries again."
    ),
    "wiring": "Look up for how many lanes the adapter or cable is made: a socket of key E gives one, of key B two.",
}


def explain_rate(link: Link, trained: float, wanted: float) -> list[Shortfall]:
    """Find what keeps a link below the wanted rate: an end's own limit, the target rate, or training itself.

    The reason that binds comes first.
    """
    limits: list[tuple[float | Unread | None, str, str]] = [
        (link.device_gt_s.value, "device-limit", "the device itself can do no more than {}"),
        (link.port_gt_s.value, "port-limit", "the port can do no more than {}"),
    ]
    port, target = link.port_gt_s.value, link.target_gt_s
    is_own_limit = isinstance(port, float | int) and isinstance(target, float | int) and target >= port
    if not is_own_limit:  # a port aims at its own limit unless somebody set another
        limits.append((target, "target-speed", "the port's target rate (Link Control 2) is set to {}" + _who_set(link)))
    return _find_binding(limits, trained, wanted, describe_rate)


def _who_set(link: Link) -> str:
    """Say who may have set a target rate.

    Source: drivers/pci/quirks.c, ``pcie_failed_link_retrain`` (6.5 and later): it holds a port at 2.5 GT/s.
    """
    capable = link.port_gt_s.value
    slowest = rate_of(1)
    if link.target_gt_s == slowest and isinstance(capable, float | int) and capable > slowest:
        return ", by the firmware or by the kernel, which does so (since 6.5) when a link failed to train"
    return ", by the firmware or the kernel"


def explain_width(
    link: Link, trained: float, wanted: float, *, position: DeclaredPosition | None, snapshot: Snapshot
) -> list[Shortfall]:
    """Find what keeps a link below the wanted width: an end's own lanes, or training itself.

    The reason that binds comes first. The board's own table of slots, and declared adapters and cables, are asked too.
    """
    wired = "the port has no more than {}, as it is wired or as the firmware split the slot"
    limits: list[tuple[float | Unread | None, str, str]] = [
        (link.device_lanes.value, "device-limit", "the device itself has no more than {}"),
        (link.port_lanes.value, "port-limit", wired),
    ]
    limits += [(lanes, "port-limit", text) for lanes, text in _wired_by_table(link, snapshot)]
    reasons = _find_binding(limits, trained, wanted, lambda lanes: f"x{lanes:g}")
    if reasons[0].code == "training" and position is not None:
        adapters = [part.kind for part in position.through if part.kind in ("key-adapter", "flexible-cable")]
        if adapters:
            text = f"the {' or '.join(dict.fromkeys(adapters))} between may carry fewer lanes than both ends have"
            reasons.append(Shortfall(code="wiring", text=text))
    return reasons


def _wired_by_table(link: Link, snapshot: Snapshot) -> Iterator[tuple[int, str]]:
    """Give the width that the board's table of slots has for this link. Source: SMBIOS (DSP0134), type 9."""
    ends = {end.address.rpartition(".")[0] for end in (link.port, link.device) if end is not None}
    for slot in if_read(snapshot.slots):
        if slot.electrical_lanes is not None and slot.address in ends:
            yield slot.electrical_lanes, f"the board's table has slot {slot.name} wired for {{}}"


def _find_binding(
    limits: list[tuple[float | Unread | None, str, str]], trained: float, wanted: float, write: Callable[[float], str]
) -> list[Shortfall]:
    """Sort out which limits bind. A link that is below even the least of them fell short in training as well."""
    known = sorted(
        ((limit, code, text) for limit, code, text in limits if isinstance(limit, float | int) and limit < wanted),
        key=lambda row: row[0],
    )
    reasons = [Shortfall(code=code, text=text.format(write(limit))) for limit, code, text in known]
    unread = [limit for limit, _, _ in limits if isinstance(limit, Unread)]
    if known and trained >= known[0][0]:
        return [reason for reason, (limit, _, _) in zip(reasons, known, strict=True) if limit == known[0][0]]
    short = Shortfall(code="training", text="both ends allow more, so training itself fell short (signal path)")
    if not known and unread:
        return [Shortfall(code="unknown", text=f"the reason is not known: {unread[0]}")]
    return [short if not known else Shortfall(code="training", text="training fell short even of that"), *reasons]


# --- evidence ---------------------------------------------------------------------------------------------------------


def gather_evidence(subject: LinkSubject, link: Link, reasons: Sequence[Shortfall] = ()) -> dict[str, Any]:
    """Gather the figures behind a judgement of a link."""
    witnessed: dict[str, LinkFigure] = {"rate_witnesses": link.trained_gt_s, "width_witnesses": link.trained_lanes}
    return {
        "path": subject.path,
        "trained_gt_s": link.trained_gt_s.value,
        "trained_lanes": link.trained_lanes.value,
        "declared_gt_s": subject.declared_gt_s,
        "declared_lanes": subject.declared_lanes,
        "port_gt_s": link.port_gt_s.value,
        "port_lanes": link.port_lanes.value,
        "device_gt_s": link.device_gt_s.value,
        "device_lanes": link.device_lanes.value,
        "target_gt_s": link.target_gt_s,
        "link_bytes_per_second": _bytes_per_second(link.trained_gt_s.value, link.trained_lanes.value),
        "reasons": [reason.code for reason in reasons],
        # all witnesses, where their values differ
        **{name: dict(figure.witnesses) for name, figure in witnessed.items() if not figure.agreed},
    }


def _bytes_per_second(gt_s: float | Unread | None, lanes: float | Unread | None) -> int | None:
    if not isinstance(gt_s, float | int) or not isinstance(lanes, float | int):
        return None
    generation = generation_at(gt_s)
    return None if generation is None else round(link_bytes_per_second(generation, int(lanes)))
