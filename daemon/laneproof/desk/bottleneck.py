"""The narrowest part at the desk: which one of network, network card, shared links and drives holds the others back."""

from collections.abc import Iterator
from dataclasses import dataclass

from laneproof.declaration.build import Build
from laneproof.declaration.quoting import list_words
from laneproof.declaration.units import format_rate
from laneproof.desk.links import LinkBudget, SharedLink, labels_below
from laneproof.desk.network import NetworkBudget
from laneproof.desk.problems import BudgetNotes

_STORAGE = (None, "nvme", "sata", "usb")  # a position that does not say what is in it may hold a drive


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


def find_bottleneck(
    build: Build,
    links: tuple[LinkBudget, ...],
    shared: tuple[SharedLink, ...],
    network: tuple[NetworkBudget, ...],
    notes: BudgetNotes,
) -> tuple[Throughput, Bottleneck | None]:
    """Find what holds the box back when its drives are read over its network.

    Returns:
        What all parts of a kind carry together, and the narrowest part, None where nothing has a ceiling.
    """
    drives = dict(_drive_rates(build, links))
    adapters = [link.all_busy_bytes_per_second for link in links if link.is_sender]
    known = [rate for rate in adapters if rate]
    share = notes.figure("network_payload_share") / 8 if network else 0.0
    throughput = Throughput(
        drives_bytes_per_second=sum(drives.values()) if drives else None,
        network_bytes_per_second=sum(port.together_bits_per_second for port in network) * share if network else None,
        one_flow_bytes_per_second=max(port.one_flow_bits_per_second for port in network) * share if network else None,
        network_cards_bytes_per_second=sum(known) if known and len(known) == len(adapters) else None,
    )
    return throughput, _find_narrowest(throughput, drives, links, shared, network)


def _drive_rates(build: Build, links: tuple[LinkBudget, ...]) -> Iterator[tuple[str, float]]:
    for link, position in zip(links, build.position, strict=True):
        rate = link.all_busy_bytes_per_second
        is_card = bool(labels_below(build, position.path))  # a position that others are below is a switch card
        if link.kind not in _STORAGE or rate is None or is_card:
            continue
        own = position.occupant.read if position.occupant else None
        yield link.label, min(rate, own or rate)


def _find_narrowest(
    throughput: Throughput,
    drives: dict[str, float],
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
    rate, kind = min(known, key=lambda stage: stage[0])
    if kind == "network":
        return _network(throughput, rate, network)
    if kind == "network-card":
        cards = list_words([link.label for link in links if link.is_sender])
        ports = throughput.network_bytes_per_second or 0.0
        says = f"the link of {cards} carries {format_rate(rate)}, and the ports behind it {format_rate(ports)}"
        return Bottleneck(part=cards, kind=kind, bytes_per_second=rate, says=says)
    return _narrow_uplink(links, shared) or _slowest_drive(drives)


def _network(throughput: Throughput, rate: float, network: tuple[NetworkBudget, ...]) -> Bottleneck:
    one_flow = throughput.one_flow_bytes_per_second or 0.0
    says = f"the network carries {format_rate(rate)} in all"
    says += f", {format_rate(one_flow)} in one flow" if one_flow < rate else ""
    if drives := throughput.drives_bytes_per_second:
        says += f"; the drives could give at most {format_rate(drives)}"
    return Bottleneck(
        part=list_words([port.name for port in network]), kind="network", bytes_per_second=rate, says=says
    )


def _narrow_uplink(links: tuple[LinkBudget, ...], shared: tuple[SharedLink, ...]) -> Bottleneck | None:
    senders = {link.label for link in links if link.is_sender}
    narrow = [link for link in shared if link.is_narrow and not senders.issuperset(link.positions)]
    worst = min(
        narrow, key=lambda link: (link.payload_bytes_per_second or 0.0) / link.wanted_bytes_per_second, default=None
    )
    if worst is None:
        return None
    carries, wanted = worst.payload_bytes_per_second or 0.0, worst.wanted_bytes_per_second
    says = f"{worst.name} carries {format_rate(carries)} for positions that could take {format_rate(wanted)}"
    return Bottleneck(part=worst.name, kind="uplink", bytes_per_second=carries, says=says)


def _slowest_drive(drives: dict[str, float]) -> Bottleneck:
    label, rate = min(drives.items(), key=lambda drive: drive[1])
    fastest = max(drives.values())
    says = f"{label} gives at most {format_rate(rate)}"
    if fastest > rate:
        says += f", the fastest {format_rate(fastest)}"
    elif len(drives) > 1:
        says += ", as every drive does"
    return Bottleneck(part=label, kind="position", bytes_per_second=rate, says=says)
