"""PCI Express arithmetic: what a link of a given generation and width can carry, and what is left of it further up.

Pure numbers: nothing here knows a machine or a declaration. All rates are for one direction, in bytes per second with
decimal prefixes. The ceilings are bounds that the protocol cannot pass, never promises: flow control, the drive's own
controller and its flash come on top.
"""

from collections.abc import Hashable, Iterable, Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import TypeVar

from laneproof_collectors.unread import Unread

Name = TypeVar("Name", bound=Hashable)
LinkName = TypeVar("LinkName", bound=Hashable)

LOWEST_GT_S = 2.5
"""Generation 1: below it there is no rate."""
LANE_COUNTS = (1, 2, 4, 8, 12, 16, 32)
"""Widths that a link can have. Source: pci_regs.h, ``PCI_EXP_LNKSTA_NLW``, and the base specification, link width."""

DEFAULT_MAX_PAYLOAD_BYTES = 256
"""Taken where MaxPayload was not read: what most boards of today set. Common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Generation:
    """One generation of the standard.

    Attributes:
        number: 1 to 6.
        gt_s: Transfer rate of a lane in GT/s; at generation 6 two bits a symbol are already counted.
        encoding: Data bits and line bits of the line code.
        flits: Whether packets travel in flits of fixed size (always at generation 6).
    """

    number: int
    gt_s: float
    encoding: tuple[int, int]
    flits: bool = False

    @property
    def lane_bytes_per_second(self) -> float:
        """What one lane carries after line coding, before any packet's overhead."""
        data_bits, line_bits = self.encoding
        return self.gt_s * 1e9 * data_bits / line_bits / 8


GENERATIONS: Mapping[int, Generation] = {
    generation.number: generation
    for generation in (
        Generation(number=1, gt_s=2.5, encoding=(8, 10)),
        Generation(number=2, gt_s=5.0, encoding=(8, 10)),
        Generation(number=3, gt_s=8.0, encoding=(128, 130)),
        Generation(number=4, gt_s=16.0, encoding=(128, 130)),
        Generation(number=5, gt_s=32.0, encoding=(128, 130)),
        Generation(number=6, gt_s=64.0, encoding=(1, 1), flits=True),
    )
}
"""By number. Source: PCI Express Base Specification 6.1, table 1-1 (the kernel's commit on generation 6 quotes it)."""

_BY_RATE = {generation.gt_s: generation for generation in GENERATIONS.values()}


def generation_at(gt_s: float) -> int | None:
    """Give the generation of a transfer rate in GT/s, or None for a rate that the standard does not have."""
    generation = _BY_RATE.get(gt_s)
    return generation.number if generation else None


def rate_of(generation: int) -> float:
    """Give the transfer rate of a generation in GT/s.

    Raises:
        ValueError: There is no such generation.
    """
    return _generation(generation).gt_s


def describe_rate(gt_s: float) -> str:
    """Write a rate for people, with the generation where there is one: ``16 GT/s (generation 4)``."""
    generation = generation_at(gt_s)
    return f"{gt_s:g} GT/s" + (f" (generation {generation})" if generation else "")


def _generation(number: int) -> Generation:
    if number not in GENERATIONS:
        raise ValueError(f"there is no generation {number}; there are {', '.join(map(str, GENERATIONS))}")
    return GENERATIONS[number]


# --- one link ---------------------------------------------------------------------------------------------------------


class Direction(StrEnum):
    """Which way the data goes, seen from the host."""

    READ = "read"  # from the drive: it sends memory writes towards the host
    WRITE = "write"  # to the drive: it asks by read requests, the host answers with completions


_DATA_LINK_BYTES = 8
"""What each packet costs besides its header: sequence number, link CRC and framing.

8b/10b: start 1, sequence 2, CRC 4, end 1; 128b/130b: start token with sequence number 4, CRC 4 (from memory). With a
header of 3 or 4 double words these are the 20 or 24 bytes of Intel's application notes AN 456 and AN 829, no ECRC."""

_HEADER_BYTES = {Direction.READ: 16, Direction.WRITE: 12}
"""Memory writes above 4 GiB have a header of 4 double words, completions one of 3 (base specification, 2.2)."""

FLIT_BYTES = 256
FLIT_PACKET_BYTES = 236
"""A flit holds 236 bytes of packets, 6 of data link payload, 8 of CRC and 6 of error correction.

Source: public summaries of base specification 6.0, section 4.2.3 (the section from memory)."""


def link_bytes_per_second(generation: int, lanes: int) -> float:
    """Give what a link carries after line coding, before packet overhead.

    Args:
        generation: 1 to 6.
        lanes: Width of the link.

    Raises:
        ValueError: There is no such generation.
    """
    return _generation(generation).lane_bytes_per_second * lanes


def overhead_bytes(generation: int, direction: Direction = Direction.READ) -> int:
    """Give what each packet costs besides its payload: 24 bytes reading, 20 writing; less in flits, which pay apart."""
    header = _HEADER_BYTES[direction]
    return header if _generation(generation).flits else header + _DATA_LINK_BYTES


def payload_share(generation: int, max_payload_bytes: int, direction: Direction = Direction.READ) -> float:
    """Give the share of a link's bytes that can be payload, 0..1.

    Args:
        generation: 1 to 6.
        max_payload_bytes: MaxPayload in use: the least along the path, 128 to 4096.
        direction: Reading from or writing to the device.

    Returns:
        payload / (payload + overhead), at generation 6 times the flit's own share.

    Raises:
        ValueError: There is no such generation, or the payload is not positive.

    Source: Intel AN 456, "Throughput for Posted Writes": 256 / (256 + 20) = 92 %. Generation 6 headers are taken as
        3 and 4 double words as before (from memory).
    """
    if max_payload_bytes <= 0:
        raise ValueError(f"a payload of {max_payload_bytes} bytes carries nothing")
    share = max_payload_bytes / (max_payload_bytes + overhead_bytes(generation, direction))
    return share * FLIT_PACKET_BYTES / FLIT_BYTES if _generation(generation).flits else share


def payload_bytes_per_second(
    generation: int,
    lanes: int,
    *,
    max_payload_bytes: int = DEFAULT_MAX_PAYLOAD_BYTES,
    direction: Direction = Direction.READ,
) -> float:
    """Give the most payload that a link can carry in one direction.

    A host may answer reads in pieces as small as its read completion boundary (64 or 128 bytes), which costs more; this
    is the ceiling for full-sized pieces.

    Args:
        generation: 1 to 6.
        lanes: Width of the link.
        max_payload_bytes: MaxPayload in use along the path.
        direction: Reading from or writing to the device.

    Returns:
        Bytes per second.
    """
    return link_bytes_per_second(generation, lanes) * payload_share(generation, max_payload_bytes, direction)


def lesser_of_ends(*ends: float | Unread | None) -> float | Unread | None:
    """Give what a link is capable of, in GT/s or in lanes: the lesser of its ends.

    Args:
        ends: What each end can do; None for an end that is not there (a device with no port before it has one end).

    Returns:
        The least of them; the first `Unread` where one end could not be read, since that end may be the lesser; None
        where there is no end.
    """
    unread = next((end for end in ends if isinstance(end, Unread)), None)
    return unread or min((end for end in ends if end is not None and not isinstance(end, Unread)), default=None)


# --- several links ----------------------------------------------------------------------------------------------------


def ceilings_all_busy(
    routes: Mapping[Name, Iterable[LinkName]], capacities: Mapping[LinkName, float]
) -> dict[Name, float]:
    """Share out links that several devices use: what each gets when all are busy at once.

    Every device's rate grows evenly until a link on its way is full; those that cross it stop there and the others grow
    on (max-min fairness). It is what fair arbitration at each port gives in the long run. Common practice, no source.

    Args:
        routes: For each device the links between it and the host, in any order. A chipset's uplink is a link like any.
        capacities: What each link carries, in bytes per second.

    Returns:
        For each device its ceiling in bytes per second, infinite for one that crosses no link.

    Raises:
        KeyError: A route crosses a link that has no capacity.
    """
    waiting = {name: set(route) for name, route in routes.items()}
    left = {link: capacities[link] for route in waiting.values() for link in route}
    ceilings: dict[Name, float] = {name: float("inf") for name, route in waiting.items() if not route}
    waiting = {name: route for name, route in waiting.items() if route}
    level = 0.0
    while waiting:
        users = {link: sum(link in route for route in waiting.values()) for link in left}
        step = min(left[link] / count for link, count in users.items() if count)
        level += step
        left = {link: room - step * users[link] for link, room in left.items()}
        # the link that set the step is full by definition, whatever rounding left in it
        full = {link for link, count in users.items() if count and left[link] <= capacities[link] * 1e-12}
        for name in [name for name, route in waiting.items() if route & full]:
            ceilings[name] = level
            del waiting[name]
    return ceilings
