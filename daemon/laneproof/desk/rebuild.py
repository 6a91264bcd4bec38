"""Rebuilding a failed member: how long it takes, and how likely it is that something else fails meanwhile.

Failures: each drive fails at a constant rate that the annual failure rate gives, independently of the others; the
chance within a time is 1 - exp(-rate x time). Unreadable blocks: each bit read fails with the same small chance, so
that the chance of at least one in b bits is 1 - (1 - chance)^b. Both are common practice; that drives of one box fail
together more often than that is known from the field, so these are floors and not forecasts.
"""

import math
from dataclasses import dataclass

from laneproof.evidence.distributions import log_binomial_at_least

_YEAR_SECONDS = 365.25 * 86400


@dataclass(frozen=True, slots=True, kw_only=True)
class Rebuild:
    """One rebuild of one member.

    Attributes:
        second_failure_probability: At least one of them fails meanwhile.
        loss_probability: More of them fail meanwhile than may.
        unreadable_probability: At least one block of those to be read cannot be.
        unreadable_loses_data: Whether such a block is lost: nothing redundant is left to make it up from.
    """

    seconds: float
    bytes_per_second: float
    limited_by: str
    survivors: int
    spare_failures: int
    second_failure_probability: float
    loss_probability: float
    unreadable_probability: float
    unreadable_loses_data: bool


def at_least_once(chance: float, trials: float) -> float:
    """Give the chance that something happens at least once in so many independent trials, or a part of one.

    Source: exponential lifetimes, NIST/SEMATECH e-Handbook, 8.1.6.1; for whole trials the geometric distribution.
    """
    if chance >= 1:
        return 1.0 if trials > 0 else 0.0
    return -math.expm1(math.log1p(-chance) * trials)


def estimate_rebuild(  # noqa: PLR0913 (each figure of the formula by its name)
    *,
    member_bytes: int,
    read_members: int,
    survivors: int,
    spare_failures: int,
    bytes_per_second: float,
    limited_by: str,
    annual_failure_rate: float,
    unreadable_per_bit: float,
) -> Rebuild:
    """Work out one rebuild.

    Args:
        member_bytes: Capacity to be rebuilt.
        read_members: How many members are read whole for it.
        survivors: How many members matter meanwhile: all that are left, or the partner alone in level 10.
        spare_failures: How many of those may still fail.
        bytes_per_second: The rate at which the new member is written.
        limited_by: What sets that rate.
        annual_failure_rate: Of one drive, 0..1.
        unreadable_per_bit: Unrecoverable read errors per bit read.
    """
    seconds = member_bytes / bytes_per_second
    fails = at_least_once(annual_failure_rate, seconds / _YEAR_SECONDS)
    return Rebuild(
        seconds=seconds,
        bytes_per_second=bytes_per_second,
        limited_by=limited_by,
        survivors=survivors,
        spare_failures=spare_failures,
        second_failure_probability=math.exp(log_binomial_at_least(1, survivors, fails)),
        loss_probability=math.exp(log_binomial_at_least(spare_failures + 1, survivors, fails)),
        unreadable_probability=at_least_once(unreadable_per_bit, 8.0 * member_bytes * read_members),
        unreadable_loses_data=spare_failures == 0,
    )
