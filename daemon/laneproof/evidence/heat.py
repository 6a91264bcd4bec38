"""Heat judged by the drive's own limits, and whether slowness is heat or only a full write cache.

There is no fixed temperature limit here: sensors sit in different places, and a hot spot may lie tens of degrees
above the figure that a drive reports. What counts is how far it keeps from its own warning threshold, and its own
minute counters.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from laneproof.evidence.distributions import Surprise, require_count, require_exposure, require_share
from laneproof.evidence.not_enough import NotEnough
from laneproof.evidence.special_functions import log_normal_at_least
from laneproof.evidence.two_by_two import Table, mantel_haenszel

WARN_HEADROOM_CELSIUS = 5.0
"""Less than this below the drive's warning threshold is a notice. Our choice."""

SLOW_FOR_HEAT_ALPHA = 1e-3
"""How small the chance must be that heat has nothing to do with slowness. Our choice."""

HEADROOM_QUANTILE = 0.95
HOURS_PER_YEAR = 8766.0

_FEWEST_READINGS = 20  # with fewer, the 95th percentile is the largest reading


def quantile(values: Sequence[float], share: float) -> float | NotEnough:
    """The value below which the given share of readings lies.

    Args:
        values: Readings in any order.
        share: 0..1.

    Returns:
        The quantile, interpolated between neighbours.

    Raises:
        ValueError: The share lies outside of 0..1.

    Source: R. Hyndman, Y. Fan, Sample Quantiles in Statistical Packages (1996), definition 7.
    """
    require_share(share, "the share")
    if not values:
        return NotEnough("no readings")
    ordered = sorted(values)
    place = share * (len(ordered) - 1)
    below = math.floor(place)
    above = min(below + 1, len(ordered) - 1)
    return ordered[below] + (place - below) * (ordered[above] - ordered[below])


def headroom(readings_celsius: Sequence[float], warning_celsius: float | None) -> float | NotEnough:
    """How far does the drive keep below its own warning threshold (T11)?

    Args:
        readings_celsius: Composite temperatures, evenly spread over the time looked at.
        warning_celsius: The drive's own threshold (WCTEMP), None where it states none.

    Returns:
        The threshold less the 95th percentile of the readings, in degrees Celsius.

    Source: NVM Express Base Specification, Identify Controller, Warning Composite Temperature Threshold.
    """
    if warning_celsius is None:
        return NotEnough("the drive states no warning threshold")
    if len(readings_celsius) < _FEWEST_READINGS:
        return NotEnough(f"{len(readings_celsius)} temperature readings; {_FEWEST_READINGS} are needed")
    usual_most = quantile(readings_celsius, HEADROOM_QUANTILE)
    return usual_most if isinstance(usual_most, NotEnough) else warning_celsius - usual_most


def minutes_per_year(minutes: int, hours: float) -> float | NotEnough:
    """How many minutes of a year of 8766 hours does a drive spend above its threshold, at the pace of these hours?

    Raises:
        ValueError: A negative number.
    """
    require_count(minutes, "the minutes")
    require_exposure(hours, "the hours")
    return minutes / hours * HOURS_PER_YEAR if hours > 0.0 else NotEnough("no powered hours")


@dataclass(frozen=True, slots=True, kw_only=True)
class DoseTest(Surprise):
    """Whether a rate rises from group to group."""

    z: float  # the statistic, standard normal where it does not


def rate_rises_with_heat(events: Sequence[int], exposures: Sequence[float]) -> DoseTest | NotEnough:
    """Do more errors come where it is hotter (T11)?

    Args:
        events: Events by temperature group (quartiles), the coolest first.
        exposures: Exposure of each group.

    Returns:
        The one-sided trend test, with the groups' numbers as scores.

    Raises:
        ValueError: A negative number, or lengths that do not agree.

    Source: P. Armitage, Tests for Linear Trends in Proportions and Frequencies, Biometrics 11 (1955) 375, its form for
        Poisson counts; from memory.
    """
    if len(exposures) != len(events):
        raise ValueError(f"{len(events)} groups need as many exposures, not {len(exposures)}")
    for count, exposure in zip(events, exposures, strict=True):
        require_count(count, "each count")
        require_exposure(exposure, "each exposure")
    total, whole = sum(events), math.fsum(exposures)
    if total == 0 or whole == 0.0:
        return NotEnough("no event in any group")
    mean = math.fsum(score * exposure for score, exposure in enumerate(exposures)) / whole
    spread = math.fsum((score - mean) ** 2 * exposure for score, exposure in enumerate(exposures)) / whole
    if spread == 0.0:
        return NotEnough("all exposure lies in one group")
    z = (sum(score * count for score, count in enumerate(events)) - total * mean) / math.sqrt(total * spread)
    return DoseTest(log_p=log_normal_at_least(z), z=z)


def is_slow_for_heat(cache_full: Table, cache_fresh: Table) -> bool:
    """Is the drive slow because it is hot, and not because its write cache is full (T12)?

    The two look alike, since long writing does both. So windows are compared among those with as much written since the
    last idle minute.

    Args:
        cache_full: Windows with much written: hot and slow, hot and fast, cool and slow, cool and fast.
        cache_fresh: The same of windows with little written.

    Returns:
        Whether it is shown: more slow windows when hot, the cache held fixed.

    Raises:
        ValueError: A negative number.

    Source: N. Mantel, W. Haenszel, J. National Cancer Institute 22 (1959) 719.
    """
    test = mantel_haenszel((cache_full, cache_fresh))
    return not isinstance(test, NotEnough) and test.odds_ratio > 1.0 and test.log_p <= math.log(SLOW_FOR_HEAT_ALPHA)
