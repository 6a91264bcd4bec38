"""Do media errors come faster and faster?

Any new media error is worth saying at once; what is asked here is whether they accelerate.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from laneproof.evidence.distributions import Surprise, require_exposure
from laneproof.evidence.not_enough import NotEnough
from laneproof.evidence.special_functions import log_gamma_tails, log_normal_at_least

GROWTH_ALPHA = 0.01
"""Below this p in both tests of event times, media errors are taken to accelerate: act. Our choice."""

_FEWEST_EVENTS = 3  # the normal form of the Laplace test is good from here on; common practice, no source


@dataclass(frozen=True, slots=True, kw_only=True)
class LaplaceTest(Surprise):
    """Whether events crowd towards the end of the time watched."""

    u: float  # the statistic, standard normal for a constant rate; above zero for a rising one


@dataclass(frozen=True, slots=True, kw_only=True)
class PowerLawTest(Surprise):
    """Whether a power law of time grows."""

    exponent: float  # the fitted exponent b: 1 is a constant rate, more grows
    # twice the sum of ln(T / t), chi-square with 2n degrees of freedom at a constant rate; small for growth
    statistic: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Growth:
    """Both tests of the same event times."""

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
