"""Do media errors come faster and faster?

Any new media error is worth saying at once; what is asked here is whether they accelerate. Event times answer best;
where only increases per week are known, a rank test and a robust slope stand in.
"""

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import NormalDist, median

from laneproof.evidence.counts import CONFIDENCE, Bounds, Surprise, require_exposure, require_share
from laneproof.evidence.not_enough import NotEnough
from laneproof.evidence.special import log_chi_square_at_least, log_gamma_tails, log_normal_at_least

GROWTH_ALPHA = 0.01
"""Below this p in both tests of event times, media errors are taken to accelerate: act. Judgement."""

ODDS_AFTER_FIRST_UNCORRECTABLE = (0.30 / 0.70) / (0.02 / 0.98)
"""How many times the odds of another uncorrectable error rise in the month after one (about 21).

Source: Flash Reliability in Production, USENIX FAST 2016 (30 % against 2 %).
"""

_FEWEST_EVENTS = 3  # the normal form of the Laplace test is good from here on; common practice, no source


@dataclass(frozen=True, slots=True, kw_only=True)
class LaplaceTest(Surprise):
    """Whether events crowd towards the end of the time watched.

    Attributes:
        u: The statistic, standard normal for a constant rate; above zero for a rising one.
    """

    u: float


@dataclass(frozen=True, slots=True, kw_only=True)
class PowerLawTest(Surprise):
    """Whether a power law of time grows.

    Attributes:
        exponent: The fitted exponent b: 1 is a constant rate, more grows.
        statistic: Twice the sum of ln(T / t), chi-square with 2n degrees of freedom at a constant rate; small for
            growth.
    """

    exponent: float
    statistic: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Growth:
    """Both tests of the same event times.

    Attributes:
        laplace: The Laplace test.
        power_law: The power law test.
    """

    laplace: LaplaceTest
    power_law: PowerLawTest

    @property
    def accelerating(self) -> bool:
        """Whether both agree that events come faster and faster."""
        return max(self.laplace.log_p, self.power_law.log_p) < math.log(GROWTH_ALPHA)


def growth(times: Sequence[float], watched: float) -> Growth | NotEnough:
    """Do these events come faster and faster (T9)?

    Args:
        times: When each happened since the watch began, any order, any unit of time. Counts that moved by several at
            once are one time each: they came between two readings and cannot be told apart.
        watched: How long was watched, in the same unit.

    Returns:
        Both tests, one-sided.

    Raises:
        ValueError: A time lies outside of what was watched.

    Source: NIST/SEMATECH e-Handbook of Statistical Methods 8.2.3.4 (Laplace test and MIL-HDBK-189 test; section number
        from memory).
    """
    require_exposure(watched, "the time watched")
    for time in times:
        if not 0.0 <= time <= watched:
            raise ValueError(f"an event at {time!r} lies outside of the {watched!r} watched")
    n = len(times)
    if n < _FEWEST_EVENTS:
        return NotEnough(f"{n} events show no growth; {_FEWEST_EVENTS} are needed")
    u = (math.fsum(times) / n - watched / 2.0) / (watched / math.sqrt(12.0 * n))
    # an event at the very beginning has an infinite logarithm: no growth whatever the others say
    log_sum = math.fsum(math.log(watched / time) if time > 0.0 else math.inf for time in times)
    exponent = n / log_sum if log_sum > 0.0 else math.inf
    return Growth(
        laplace=LaplaceTest(log_p=log_normal_at_least(u), u=u),
        power_law=PowerLawTest(
            log_p=log_gamma_tails(n, log_sum).lower,
            exponent=exponent,
            statistic=2.0 * log_sum,
        ),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class TrendTest(Surprise):
    """Whether a series rises or falls.

    Attributes:
        s: Pairs that rise less pairs that fall.
        variance: Variance of s without a trend, ties allowed for.
        z: The statistic, standard normal without a trend, corrected for continuity; `log_p` is two-sided.
        slope: Median of the slopes of all pairs, per step of the series.
        slope_bounds: Its bounds.
    """

    s: int
    variance: float
    z: float
    slope: float
    slope_bounds: Bounds


def trend(values: Sequence[float], confidence: float = CONFIDENCE) -> TrendTest | NotEnough:
    """Does this series rise (T9, where only increases per interval are known)?

    Args:
        values: Readings or increases at equal steps; at most some hundreds, since all pairs are compared.
        confidence: Of the slope's bounds.

    Returns:
        The Mann-Kendall test and the Theil-Sen slope.

    Raises:
        ValueError: The confidence is no probability.

    Source: R. Gilbert, Statistical Methods for Environmental Pollution Monitoring (1987), chapters 16.4 and 16.5; P.
        K. Sen, J. American Statistical Association 63 (1968) 1379. From memory.
    """
    require_share(confidence, "the confidence")
    n = len(values)
    if n <= _FEWEST_EVENTS:
        return NotEnough(f"{n} readings show no trend")
    pairs = [(j - i, values[j] - values[i]) for i in range(n) for j in range(i + 1, n)]
    s = sum((rise > 0) - (rise < 0) for _, rise in pairs)
    ties = sum(t * (t - 1) * (2 * t + 5) for t in Counter(values).values())
    variance = (n * (n - 1) * (2 * n + 5) - ties) / 18.0
    if variance == 0.0:
        return NotEnough("all readings are the same")
    z = (s - (s > 0) + (s < 0)) / math.sqrt(variance)
    slopes = sorted(rise / steps for steps, rise in pairs)
    return TrendTest(
        log_p=log_chi_square_at_least(z * z, 1.0),
        s=s,
        variance=variance,
        z=z,
        slope=median(slopes),
        slope_bounds=_slope_bounds(slopes, variance, confidence),
    )


def _slope_bounds(slopes: Sequence[float], variance: float, confidence: float) -> Bounds:
    # The slopes whose ranks lie as far from the middle as s may by chance. Source: P. K. Sen (1968).
    reach = NormalDist().inv_cdf((1.0 + confidence) / 2.0) * math.sqrt(variance) if confidence < 1.0 else math.inf
    lowest = max(0, round(max(0.0, (len(slopes) - reach) / 2.0)) - 1)
    highest = min(len(slopes) - 1, round(min(2.0 * len(slopes), (len(slopes) + reach) / 2.0)))
    return Bounds(slopes[lowest], slopes[highest], confidence)
