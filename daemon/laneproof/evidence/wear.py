"""How long until a drive is worn, by two clocks: its own percentage, and the data written against its rating.

Wear is for planning. It predicts failure poorly, and nothing happens at 100 %; what it never does here is pass for a
sign of failure.
"""

import math
from dataclasses import dataclass

from laneproof.evidence.distributions import require_exposure
from laneproof.evidence.not_enough import NotEnough

DATA_UNIT_BYTES = 512_000
"""One data unit. Source: NVM Express Base Specification, SMART / Health Information log: 1000 times 512 bytes."""

WARN_DAYS = 365.0
ACT_DAYS = 90.0
SPARE_MARGIN_POINTS = 5
"""How near to its threshold the available spare may come. These three are our choice."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Remaining:
    """Time left until a limit, by one clock."""

    days: float  # the best figure; infinity where nothing was used up
    shortest_days: float  # the least that the readings allow
    longest_days: float  # the most that they allow
    clock: str  # "percentage", "writes" or "spare"


def _per_day(used: float, left: float, days: float) -> float:
    # Days until what is left is used up at the pace seen; what is used up already leaves none.
    if left <= 0.0:
        return 0.0
    return left * days / used if used > 0.0 else math.inf


def _by_points(moved: int, left: float, days: float, clock: str, what: str) -> Remaining | NotEnough:
    if days == 0.0:
        return NotEnough(f"both readings of the {what} are of the same day")
    if moved == 0 and left > 0.0:
        return NotEnough(f"the {what} did not move in {days:g} days (at least {left * days:g} more are left)")
    nearest, soonest, latest = (_per_day(moved + rounding, left, days) for rounding in (0, 1, -1))
    return Remaining(days=nearest, shortest_days=soonest, longest_days=latest, clock=clock)


def by_percentage(earlier_percent: int, now_percent: int, days: float) -> Remaining | NotEnough:
    """When will the drive's own wear figure reach 100 percent (T10)?

    Args:
        earlier_percent: ``percentage_used`` then, a whole number that may pass 100.
        now_percent: The same now.
        days: Days between the two.

    Returns:
        The time left; the bounds take in that both readings are rounded, so the true rise may be one point more or
        less.

    Raises:
        ValueError: A negative number, or a figure that fell.

    Source: NVM Express Base Specification, SMART / Health Information log, Percentage Used (capped at 255).
    """
    require_exposure(earlier_percent, "the earlier percentage")
    require_exposure(days, "the days between")
    if now_percent < earlier_percent:
        raise ValueError(
            f"percentage used fell from {earlier_percent} to {now_percent}: another drive, or another counter"
        )
    return _by_points(now_percent - earlier_percent, 100 - now_percent, days, "percentage", "wear figure")


def by_writes(written_bytes: float, hours: float, rated_bytes: float, total_bytes: float) -> Remaining | NotEnough:
    """When will the data written reach what the maker rated (T10)?

    Args:
        written_bytes: Bytes written in the period (data units times 512,000).
        hours: Powered hours of the period.
        rated_bytes: Bytes that the maker rates the drive for.
        total_bytes: Bytes written over the drive's life.

    Returns:
        The time left, in days of 24 powered hours; its bounds are one data unit wide.

    Raises:
        ValueError: A negative number.

    Source: NVM Express Base Specification, Data Units Written (rounded up to the next unit).
    """
    require_exposure(written_bytes, "the bytes written")
    require_exposure(hours, "the hours")
    require_exposure(rated_bytes, "the rated bytes")
    if hours == 0.0 or rated_bytes == 0.0:
        return NotEnough("no powered hours, or no rating, to count with")
    left = rated_bytes - total_bytes
    days = hours / 24.0
    if written_bytes == 0.0 and left > 0.0:
        return NotEnough(f"nothing was written in {days:g} days")
    return Remaining(
        days=_per_day(written_bytes, left, days),
        shortest_days=_per_day(written_bytes + DATA_UNIT_BYTES, left, days),
        longest_days=_per_day(written_bytes - DATA_UNIT_BYTES, left, days),
        clock="writes",
    )


def by_spare(earlier_percent: int, now_percent: int, threshold_percent: int, days: float) -> Remaining | NotEnough:
    """When will the available spare reach its threshold (T10)?

    Args:
        earlier_percent: Available spare then.
        now_percent: The same now.
        threshold_percent: The drive's own threshold.
        days: Days between the two.

    Returns:
        The time left, with bounds for rounding.

    Raises:
        ValueError: A negative number, or a spare that grew.

    Source: NVM Express Base Specification, Available Spare and Available Spare Threshold (whole percent).
    """
    require_exposure(now_percent, "the available spare")
    require_exposure(days, "the days between")
    if now_percent > earlier_percent:
        raise ValueError(
            f"available spare grew from {earlier_percent} to {now_percent}: another drive, or another counter"
        )
    return _by_points(earlier_percent - now_percent, now_percent - threshold_percent, days, "spare", "spare")


def nearer(*clocks: Remaining | NotEnough) -> Remaining | NotEnough:
    """Which clock runs out first? `NotEnough` where none could say."""
    known = [clock for clock in clocks if isinstance(clock, Remaining)]
    if known:
        return min(known, key=lambda clock: clock.days)
    return NotEnough("; ".join(clock.why for clock in clocks if isinstance(clock, NotEnough)) or "no reading of wear")


def is_spare_low(now_percent: int, threshold_percent: int) -> bool:
    """Has the available spare come near the drive's own threshold, or below it?"""
    return now_percent - threshold_percent <= SPARE_MARGIN_POINTS
