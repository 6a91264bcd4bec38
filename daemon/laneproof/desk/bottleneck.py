"""The narrowest part of a plan: which one of network, network card, shared links and drives holds the others back."""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from laneproof.declaration.build import Build
from laneproof.declaration.units import format_bytes
from laneproof.desk.links import LinkBudget, SharedLink
from laneproof.desk.network import NetworkBudget
from laneproof.desk.notes import BudgetNotes

_STORAGE = (None, "nvme", "sata")  # a position that does not say what is in it may hold a drive


@dataclass(frozen=True, slots=True, kw_only=True)
class Throughput:
    """What all parts of one kind can carry together, in bytes of payload a second; None where nothing is known.

    Attributes:
        drives_bytes_per_second: All drives, all busy, reading.
        network_bytes_per_second: All flows.
        one_flow_bytes_per_second: The best that one flow gets.
        network_cards_bytes_per_second: The links of the network cards.
    """

    drives_bytes_per_second: float | None
    network_bytes_per_second: float | None
    one_flow_bytes_per_second: float | None
    network_cards_bytes_per_second: float | None

    def as_json(self) -> dict[str, int | None]:
        """Give it as the desk check's JSON has it."""
        return {
            name: None if value is None else round(value)
            for name, value in (
                ("drives_bytes_per_second", self.drives_bytes_per_second),
                ("network_bytes_per_second", self.network_bytes_per_second),
                ("one_flow_bytes_per_second", self.one_flow_bytes_per_second),
                ("network_cards_bytes_per_second", self.network_cards_bytes_per_second),
            )
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class Bottleneck:
    """The narrowest part.

    Attributes:
        part: Its name: an interface, a slot or uplink, a position's label.
        kind: network, network-card, uplink or position.
        bytes_per_second: What it lets through.
        says: One sentence with the value that it holds back.
    """

    part: str
    kind: str
    bytes_per_second: float
    says: str

    def as_json(self) -> dict[str, Any]:
        """Give it as the desk check's JSON has it."""
        return {
            "part": self.part,
            "kind": self.kind,
            "bytes_per_second": round(self.bytes_per_second),
            "says": self.says,
        }


def find_bottleneck(
    build: Build,
    links: tuple[LinkBudget, ...],
    shared: tuple[SharedLink, ...],
    network: tuple[NetworkBudget, ...],
    notes: BudgetNotes,
) -> tuple[Throughput, Bottleneck | None]:
    """Find what holds the box back when its drives are read over its network.

    Args:
        build: The declaration.
        links: Each position's link.
        shared: Links that several positions share.
        network: Each bond and each port alone.
        notes: Where to note what is taken for granted.

    Returns:
        What all parts of a kind carry together, and the narrowest part, None where nothing has a ceiling.
    """
    cards = {one.name for one in shared}  # a position that others are below is a switch card
    drives = [one for one in _drive_rates(build, links) if one[0] not in cards]
    adapters = [one.payload_bytes_per_second for one in links if one.kind == "network"]
    share = notes.figure("network_payload_share") if network else 0.0
    known = [one for one in adapters if one]
    throughput = Throughput(
        drives_bytes_per_second=sum(rate for _, rate in drives) if drives else None,
        network_bytes_per_second=sum(one.together_bits_per_second for one in network) * share / 8 if network else None,
        one_flow_bytes_per_second=max(one.one_flow_bits_per_second for one in network) * share / 8 if network else None,
        network_cards_bytes_per_second=sum(known) if adapters and len(known) == len(adapters) else None,
    )
    return throughput, _find_narrowest(throughput, drives, links, shared, network)


def _drive_rates(build: Build, links: tuple[LinkBudget, ...]) -> Iterator[tuple[str, float]]:
    for link, position in zip(links, build.position, strict=True):
        rate = link.busy_bytes_per_second
        if link.kind not in _STORAGE or rate is None:
            continue
        own = position.occupant.read if position.occupant else None
        yield link.label, min(rate, own or rate)


def _find_narrowest(
    throughput: Throughput,
    drives: list[tuple[str, float]],
    links: tuple[LinkBudget, ...],
    shared: tuple[SharedLink, ...],
    network: tuple[NetworkBudget, ...],
) -> Bottleneck | None:
    stages = [
        (throughput.network_bytes_per_second, "network"),
        (throughput.network_cards_bytes_per_second if network else None, "network-card"),
        (throughput.drives_bytes_per_second, "drives"),
    ]
    known = [(rate, kind) for rate, kind in stages if rate is not None]
    if not known:
        return None
    rate, kind = min(known, key=lambda one: one[0])
    if kind == "network":
        return _network(throughput, rate, network)
    if kind == "network-card":
        cards = " and ".join(one.label for one in links if one.kind == "network")
        ports = throughput.network_bytes_per_second or 0.0
        says = f"the link of {cards} carries {_rate(rate)}, and the ports behind it {_rate(ports)}"
        return Bottleneck(part=cards, kind=kind, bytes_per_second=rate, says=says)
    return _narrow_uplink(shared) or _slowest_drive(drives)


def _network(throughput: Throughput, rate: float, network: tuple[NetworkBudget, ...]) -> Bottleneck:
    one_flow = throughput.one_flow_bytes_per_second or 0.0
    says = f"the network carries {_rate(rate)} in all"
    says += f", {_rate(one_flow)} in one flow" if one_flow < rate else ""
    if drives := throughput.drives_bytes_per_second:
        says += f"; the drives could give {_rate(drives)}"
    return Bottleneck(part=" and ".join(one.name for one in network), kind="network", bytes_per_second=rate, says=says)


def _narrow_uplink(shared: tuple[SharedLink, ...]) -> Bottleneck | None:
    narrow = [one for one in shared if one.is_narrow]
    worst = min(
        narrow, key=lambda one: (one.payload_bytes_per_second or 0.0) / one.wanted_bytes_per_second, default=None
    )
    if worst is None:
        return None
    carries = worst.payload_bytes_per_second or 0.0
    says = f"{worst.name} carries {_rate(carries)} for positions that could take {_rate(worst.wanted_bytes_per_second)}"
    return Bottleneck(part=worst.name, kind="uplink", bytes_per_second=carries, says=says)


def _slowest_drive(drives: list[tuple[str, float]]) -> Bottleneck:
    label, rate = min(drives, key=lambda one: one[1])
    fastest = max(rate for _, rate in drives)
    says = f"{label} gives {_rate(rate)}"
    says += f", the fastest {_rate(fastest)}" if fastest > rate else ", as every drive does" if len(drives) > 1 else ""
    return Bottleneck(part=label, kind="position", bytes_per_second=rate, says=says)


def _rate(bytes_per_second: float) -> str:
    return f"{format_bytes(round(bytes_per_second))}/s"
