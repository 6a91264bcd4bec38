"""A link's bit errors against the ratio that the PCI Express specification allows.

Exposure is counted in bits that a receiver took in. Each receiver counts its own direction; the two ends of a link are
never added up as if they were independent.
"""

import math
from dataclasses import dataclass

from laneproof.evidence.distributions import (
    CONFIDENCE,
    Bounds,
    Surprise,
    log_poisson_at_least,
    poisson_bounds,
    poisson_upper,
    require_count,
    require_exposure,
)
from laneproof.evidence.not_enough import NotEnough

SPECIFIED_ERROR_RATIO = 1e-12
"""Bit errors allowed per bit, 2.5 to 32 GT/s. Source: PCI Express Base Specification, electrical; from memory."""

SPECIFICATION_ALPHA = 1e-4
"""How unlikely a legal link must be before it is called out of specification. Our choice; the ceiling itself is lax."""


def receiver_errors(*, rx_err: int, bad_tlp: int, bad_dllp: int) -> tuple[int, int]:
    """How many errors one receiver saw, as far as its three counters tell.

    One error on the wire may set one of them, or two. The other correctable classes are no noise of this receiver:
    replay timeouts and rollovers are the sender's, and the rest are not about the signal at all.

    Args:
        rx_err: Receiver errors in the period.
        bad_tlp: Bad TLPs in the period.
        bad_dllp: Bad DLLPs in the period.

    Returns:
        The fewest errors that explain the counts (to be tested) and the most (to be shown beside it).

    Raises:
        ValueError: A count is negative.

    Source: Linux drivers/pci/pcie/aer.c counts one per status bit.
    """
    for count in (rx_err, bad_tlp, bad_dllp):
        require_count(count, "a receiver's count")
    return max(rx_err, bad_tlp, bad_dllp), rx_err + bad_tlp + bad_dllp


def bits_carried(*, gt_s: float, lanes: int, seconds: float) -> float:
    """How many bits a link carried in one direction.

    Args:
        gt_s: Transfer rate, GT/s per lane.
        lanes: Trained lanes.
        seconds: How long it was up. Time in a low-power state carries nothing: left in, the exposure is too large,
            which is safe for "out of specification" and not for "clean".

    Returns:
        Bits, symbols of the line code included.

    Raises:
        ValueError: An argument is negative or no number.
    """
    require_exposure(gt_s, "the transfer rate")
    require_count(lanes, "the number of lanes")
    require_exposure(seconds, "the time")
    return gt_s * 1e9 * lanes * seconds


@dataclass(frozen=True, slots=True, kw_only=True)
class CeilingTest(Surprise):
    """A link's errors against what the specification allows."""

    errors: int  # errors of one receiver
    bits: float  # bits that it took in
    allowed: float  # errors that a link just within the specification makes on average
    error_ratio: float

    @property
    def is_out_of_specification(self) -> bool:
        """Whether the link can no longer be a legal one."""
        return self.log_p <= math.log(SPECIFICATION_ALPHA)

    def error_ratio_bounds(self) -> Bounds:
        """Give exact two-sided bounds of the errors per bit."""
        return poisson_bounds(self.errors).scaled(1.0 / self.bits)


def clean_error_ratio(bits: float) -> float | NotEnough:
    """Below which error ratio is a link that made no error (T3)?

    Args:
        bits: Bits that it is known to have carried: data alone, since time at rest carries none.

    Returns:
        The exact one-sided upper bound of errors per bit.

    Raises:
        ValueError: A negative number of bits.

    Source: exact Poisson bound for no event, -ln 0.05.
    """
    require_exposure(bits, "the number of bits")
    return poisson_upper(0, 1.0 - CONFIDENCE) / bits if bits else NotEnough("the link carried no bit in this period")


def against_specification(errors: int, bits: float) -> CeilingTest | NotEnough:
    """Is this link worse than the specification allows (T3)?

    Args:
        errors: Errors of one receiver in the period.
        bits: Bits carried in its direction in the same period.

    Returns:
        The test: p = P(X >= errors) with 1e-12 errors per bit. The ceiling decides whether the path must be replaced,
        not whether anything changed: a 16 GT/s x4 link may make 5,530 errors a day and be legal.

    Raises:
        ValueError: An argument is negative.

    Source: PCI Express Base Specification, bit error ratio of 1e-12 (from memory); exact Poisson tail.
    """
    require_count(errors, "the number of errors")
    require_exposure(bits, "the number of bits")
    if bits == 0.0:
        return NotEnough("the link carried no bit in this period")
    allowed = SPECIFIED_ERROR_RATIO * bits
    return CeilingTest(
        log_p=log_poisson_at_least(errors, allowed),
        errors=errors,
        bits=bits,
        allowed=allowed,
        error_ratio=errors / bits,
    )
