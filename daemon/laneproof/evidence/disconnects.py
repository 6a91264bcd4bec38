"""With what do disconnects go: a power state, each other, or the clock?

All of it works on episodes: one disconnect is one episode, however many lines it wrote, and those less than an hour
apart are one, since a drive that came back badly goes again.
"""

import math
import random
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise
from statistics import fmean, stdev

from laneproof.evidence.counts import (
    Surprise,
    log_binomial_at_least,
    log_poisson_at_least,
    require_count,
    require_exposure,
    require_share,
)
from laneproof.evidence.not_enough import NotEnough

EPISODE_GAP_SECONDS = 3600.0
BOOT_REPEAT_SECONDS = 10.0
"""How closely delays after boot must agree to be the boot sequence. Both are judgement."""

CLOCKWORK_CRITICAL = {
    4: (0.216, 1.646),
    5: (0.293, 1.662),
    6: (0.351, 1.659),
    7: (0.395, 1.645),
    8: (0.430, 1.638),
    9: (0.458, 1.623),
    10: (0.481, 1.606),
    12: (0.519, 1.584),
    15: (0.560, 1.550),
    20: (0.609, 1.501),
    30: (0.668, 1.434),
    40: (0.706, 1.384),
    50: (0.731, 1.350),
}
"""By the number of gaps: the coefficient of variation that random gaps undercut, or exceed, once in a hundred times.
Drawn, a million times each; above ten gaps the next lower number may stand in, since it asks for more."""

_FEWEST_GAPS = 4
_DRAWS = 40_000
_MOST_GAPS = 50  # more need no simulation: the last ones tell as much


def merge_into_episodes(times: Iterable[float], gap_seconds: float = EPISODE_GAP_SECONDS) -> tuple[float, ...]:
    """Take events close together for one (T14).

    Args:
        times: Unix seconds, any order.
        gap_seconds: Events less than this after the one before belong to its episode.

    Returns:
        When each episode began, in order.

    Raises:
        ValueError: A negative gap.
    """
    require_exposure(gap_seconds, "the gap")
    began: list[float] = []
    before = -math.inf
    for time in sorted(times):
        if time - before >= gap_seconds:
            began.append(time)
        before = time
    return tuple(began)


def state_share(drops_in_state: int, drops: int, share_of_time: float) -> Surprise | NotEnough:
    """Do drops favour a state (T14)?

    Args:
        drops_in_state: Drops while the state held, or just after it ended.
        drops: All drops.
        share_of_time: Share of the time watched that the state, and that moment after it, covers.

    Returns:
        p = P(Bin(drops, share) >= drops_in_state).

    Raises:
        ValueError: A negative number, more drops in the state than drops, or a share outside of 0..1.

    Source: exact binomial tail.
    """
    require_count(drops_in_state, "the drops in the state")
    require_count(drops, "the drops")
    require_share(share_of_time, "the share of time")
    if drops_in_state > drops:
        raise ValueError(f"{drops_in_state} of {drops} drops cannot have come in the state")
    if drops == 0:
        return NotEnough("no drop yet")
    if share_of_time in {0.0, 1.0}:
        return NotEnough("the state held never, or always, so it cannot set drops apart")
    return Surprise(log_p=log_binomial_at_least(drops_in_state, drops, share_of_time))


@dataclass(frozen=True, slots=True, kw_only=True)
class Coincidence(Surprise):
    """Whether two drives drop together.

    Attributes:
        together: Pairs of drops, one of each drive, close together.
        expected: Pairs to be expected by chance.
    """

    together: int
    expected: float


def together(
    times: Sequence[float], other_times: Sequence[float], *, within_seconds: float, watched_seconds: float
) -> Coincidence | NotEnough:
    """Do two drives drop at the same moments (T14)? Then what failed is something that they share.

    Args:
        times: Drops of one drive, unix seconds, as episodes.
        other_times: Drops of the other.
        within_seconds: How far apart two drops may be and still be together.
        watched_seconds: How long both were watched.

    Returns:
        The count, and its Poisson tail against 2 k1 k2 d / T expected by chance.

    Raises:
        ValueError: A negative number.

    Source: coincidence rate of two independent counters, as in radiation counting; common practice, no source.
    """
    require_exposure(within_seconds, "the reach")
    require_exposure(watched_seconds, "the time watched")
    if not times or not other_times or watched_seconds == 0.0:
        return NotEnough("one of the two has not dropped")
    pairs = sum(abs(one - other) <= within_seconds for one in times for other in other_times)
    expected = len(times) * len(other_times) * min(1.0, 2.0 * within_seconds / watched_seconds)
    return Coincidence(log_p=log_poisson_at_least(pairs, expected), together=pairs, expected=expected)


@dataclass(frozen=True, slots=True, kw_only=True)
class Clockwork:
    """Whether drops come by the clock.

    Attributes:
        gaps: How many gaps between drops.
        variation: Standard deviation over mean of the gaps: 1 for random ones, 0 for a perfect clock.
        mean_gap_seconds: Their mean.
    """

    gaps: int
    variation: float
    mean_gap_seconds: float

    @property
    def exact(self) -> bool:
        """Whether p is counted exactly, or drawn."""
        return self.variation <= math.sqrt(self.gaps) / (self.gaps - 1)  # the ball still lies within the simplex

    @property
    def log_p(self) -> float:
        """Natural logarithm of the chance that random gaps would be so regular; drawing it takes a second."""
        if self.exact:
            return _log_ball_share(self.gaps, self.variation)
        return _log_drawn_share(self.gaps, self.variation)

    @property
    def p(self) -> float:
        """The chance itself."""
        return math.exp(self.log_p)

    @property
    def is_periodic(self) -> bool:
        """Whether the gaps are more alike than random ones are once in a hundred times."""
        return self.variation <= clockwork_critical(self.gaps)[0]

    @property
    def is_clustered(self) -> bool:
        """Whether the gaps are less alike than random ones are once in a hundred times."""
        return self.variation >= clockwork_critical(self.gaps)[1]


def clockwork(times: Iterable[float]) -> Clockwork | NotEnough:
    """Do drops come at regular times (T14)? Then look for timers, scheduled load, or a counter in firmware.

    Args:
        times: Drops, unix seconds, as episodes; the last fifty count.

    Returns:
        The variation of the gaps, from which the chance follows that random gaps would be so regular.

    Source: gaps of random events, as shares of their sum, are spread evenly over a simplex; the chance that they lie
        within a small ball about its centre is a ratio of volumes (DLMF 5.19.4 for the ball; from memory).
    """
    ordered = sorted(times)[-_MOST_GAPS - 1 :]
    gaps = [after - before for before, after in pairwise(ordered)]
    if len(gaps) < _FEWEST_GAPS or ordered[0] == ordered[-1]:
        return NotEnough(f"{len(gaps)} gaps between drops; {_FEWEST_GAPS} are needed")
    mean = fmean(gaps)
    return Clockwork(gaps=len(gaps), variation=stdev(gaps) / mean, mean_gap_seconds=mean)


def _log_ball_share(n: int, variation: float) -> float:
    # Volume of a ball of n - 1 dimensions over the volume sqrt(n) / (n - 1)! of the simplex.
    if variation == 0.0:
        return -math.inf
    dimensions, radius = n - 1, variation * math.sqrt(n - 1.0) / n
    log_ball = (
        0.5 * dimensions * math.log(math.pi) + dimensions * math.log(radius) - math.lgamma(0.5 * dimensions + 1.0)
    )
    return min(0.0, log_ball + math.lgamma(n) - 0.5 * math.log(n))


def _log_drawn_share(n: int, variation: float) -> float:
    return math.log((1 + sum(one <= variation for one in _drawn_variations(n))) / (_DRAWS + 1))


@lru_cache(maxsize=8)
def _drawn_variations(n: int) -> tuple[float, ...]:
    draw = random.Random(n)  # noqa: S311 - a reproducible draw is wanted, not a secret
    drawn = []
    for _ in range(_DRAWS):
        gaps = [draw.expovariate(1.0) for _ in range(n)]
        mean = sum(gaps) / n
        drawn.append(math.sqrt((sum(gap * gap for gap in gaps) - n * mean * mean) / (n - 1)) / mean)
    return tuple(sorted(drawn))


def clockwork_critical(gaps: int) -> tuple[float, float]:
    """Between which values lies the variation of random gaps, 98 times in a hundred?

    Args:
        gaps: How many gaps, four or more.

    Returns:
        The lower and the upper 1 % point, those of the next lower number where the table lacks the number itself.

    Raises:
        ValueError: Fewer than four gaps.
    """
    if gaps < _FEWEST_GAPS:
        raise ValueError(f"{gaps} gaps tell nothing of a clock; {_FEWEST_GAPS} are needed")
    return CLOCKWORK_CRITICAL[max(number for number in CLOCKWORK_CRITICAL if number <= gaps)]


def repeats_with_boot(
    times: Sequence[float], boots: Sequence[float], within_seconds: float = BOOT_REPEAT_SECONDS
) -> bool:
    """Is it only the boot sequence that repeats itself?

    Args:
        times: Drops, unix seconds.
        boots: When the machine booted, unix seconds.
        within_seconds: How closely the delays must agree.

    Returns:
        Whether two drops or more each came the same time after a boot of their own: that is no clock, and no sign of
        what happened before.
    """
    delays = []
    used = set()
    for time in times:
        earlier = [boot for boot in boots if boot <= time]
        if not earlier:
            return False
        delays.append(time - max(earlier))
        used.add(max(earlier))
    return len(times) > 1 and len(used) == len(times) and max(delays) - min(delays) <= within_seconds
