"""Do errors come in bursts? To be asked first: the tests of rates take each error for independent of the last.

Where they come in bursts, minutes that held an error are counted instead of errors, and compared in a table (see
`two_by_two.fisher`).
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from laneproof.evidence.distributions import Surprise, require_count
from laneproof.evidence.not_enough import NotEnough
from laneproof.evidence.special_functions import log_chi_square_at_least

BURSTY_ALPHA = 1e-3
"""Below this p, errors are taken to come in bursts. Our choice."""

_SPARSE_MEAN = 1.0  # fewer per interval than this, and the chi-square form finds bursts that are none
_MOST_EXACT = 500  # events up to which the occupancy is counted exactly; its cost grows with the square


@dataclass(frozen=True, slots=True, kw_only=True)
class DispersionTest(Surprise):
    """How unevenly events fall into equal intervals."""

    mean: float  # events per interval
    index: float  # variance over mean: 1 for independent events, more for bursts
    statistic: float  # (n - 1) times the index

    @property
    def bursty(self) -> bool:
        """Whether to count error minutes instead of errors."""
        return self.log_p < math.log(BURSTY_ALPHA)


def dispersion(counts: Sequence[int]) -> DispersionTest | NotEnough:
    """Do events come in bursts (T6)?

    Args:
        counts: Events in consecutive intervals of equal exposure.

    Returns:
        The test. With less than one event per interval the chi-square form is badly wrong (two errors in one minute
        of a day would already look like a burst beyond doubt), so there p is the exact chance that so many
        independent events would fall into so few intervals.

    Raises:
        ValueError: A count is negative.

    Source: R. A. Fisher, H. Thornton, W. Mackenzie, Annals of Applied Biology 9 (1922) 325 (index of dispersion); the
        occupancy distribution as in W. Feller, An Introduction to Probability Theory, II.5. Both from memory.
    """
    for count in counts:
        require_count(count, "each count")
    total, n = sum(counts), len(counts)
    if n < 2 or total < 2:  # noqa: PLR2004 - one event, or one interval, has no spread
        return NotEnough(f"{total} events in {n} intervals say nothing of bursts")
    mean = total / n
    variance = math.fsum((count - mean) ** 2 for count in counts) / (n - 1)
    statistic = (n - 1) * variance / mean
    if mean < _SPARSE_MEAN and total <= _MOST_EXACT:
        log_p = _log_occupied_at_most(sum(1 for count in counts if count), total, n)
    else:
        log_p = log_chi_square_at_least(statistic, n - 1.0)
    return DispersionTest(log_p=log_p, mean=mean, index=variance / mean, statistic=statistic)


def _log_occupied_at_most(occupied: int, events: int, intervals: int) -> float:
    # Each next event falls into an interval that is taken already with chance d / n.
    chances = [1.0]  # of d = index intervals taken
    for _ in range(events):
        ahead = [0.0] * (len(chances) + 1)
        for d, chance in enumerate(chances):
            ahead[d] += chance * d / intervals
            ahead[d + 1] += chance * (intervals - d) / intervals
        chances = ahead
    total = math.fsum(chances[: occupied + 1])
    return min(0.0, math.log(total)) if total > 0.0 else -math.inf
