"""What episodes go along with: a power state, or a regular time?

All of it works on episodes: one disconnect is one episode, however many lines it wrote, and those less than an hour
apart are one, since a drive that came back badly often drops again.
"""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from statistics import fmean, stdev

from laneproof.evidence.distributions import Surprise, log_binomial_at_least, require_count, require_share
from laneproof.evidence.not_enough import NotEnough

EPISODE_GAP_SECONDS = 3600.0
BOOT_REPEAT_SECONDS = 10.0
"""How closely delays after boot must agree to be the boot sequence. Both are our choice."""

CLOCKWORK_CRITICAL = {
    4: 0.216,
    5: 0.293,
    6: 0.351,
    7: 0.395,
    8: 0.430,
    9: 0.458,
    10: 0.481,
    12: 0.519,
    15: 0.560,
    20: 0.609,
    30: 0.668,
    40: 0.706,
    50: 0.731,
}
"""By the number of gaps: the coefficient of variation that random gaps undercut once in a hundred times. Drawn, a
million times each; above ten gaps the next lower number may stand in, since it asks for more."""

_FEWEST_GAPS = 4
_MOST_GAPS = 50  # more need no simulation: the last ones tell as much


def merge_into_episodes(times: Iterable[float]) -> tuple[float, ...]:
    """Take events less than `EPISODE_GAP_SECONDS` apart for one (T14).

    Args:
        times: Unix seconds, any order.

    Returns:
        When each episode began, in order.
    """
    began: list[float] = []
    before = -math.inf
    for time in sorted(times):
        if time - before >= EPISODE_GAP_SECONDS:
            began.append(time)
        before = time
    return tuple(began)


def state_share(episodes_in_state: int, episodes: int, share_of_time: float) -> Surprise | NotEnough:
    """Do episodes favour a state (T14)?

    Args:
        episodes_in_state: Episodes while the state held, or just after it ended.
        episodes: All episodes.
        share_of_time: Share of the time watched that the state, and that moment after it, covers.

    Returns:
        p = P(Bin(episodes, share) >= episodes_in_state).

    Raises:
        ValueError: A negative number, more episodes in the state than episodes, or a share outside of 0..1.

    Source: exact binomial tail.
    """
    require_count(episodes_in_state, "the episodes in the state")
    require_count(episodes, "the episodes")
    require_share(share_of_time, "the share of time")
    if episodes_in_state > episodes:
        raise ValueError(f"{episodes_in_state} of {episodes} episodes cannot have come in the state")
    if episodes == 0:
        return NotEnough("no episode yet")
    if share_of_time in {0.0, 1.0}:
        return NotEnough("the state held never, or always, so it cannot set episodes apart")
    return Surprise(log_p=log_binomial_at_least(episodes_in_state, episodes, share_of_time))


@dataclass(frozen=True, slots=True, kw_only=True)
class Clockwork:
    """Whether episodes come by the clock."""

    gaps: int  # how many gaps between episodes
    variation: float  # standard deviation over mean of the gaps: 1 for random ones, 0 for a perfect clock
    mean_gap_seconds: float  # their mean

    @property
    def is_periodic(self) -> bool:
        """Whether the gaps are more alike than random ones are once in a hundred times."""
        return self.variation <= clockwork_critical(self.gaps)


def clockwork(times: Iterable[float]) -> Clockwork | NotEnough:
    """Do episodes come at regular times (T14)? Then look for timers, scheduled load, or a counter in firmware.

    Args:
        times: When each episode began, unix seconds; the last fifty count.

    Returns:
        The variation of the gaps, to be held against `clockwork_critical`.
    """
    ordered = sorted(times)[-_MOST_GAPS - 1 :]
    gaps = [after - before for before, after in pairwise(ordered)]
    if len(gaps) < _FEWEST_GAPS or ordered[0] == ordered[-1]:
        return NotEnough(f"{len(gaps)} gaps between episodes; {_FEWEST_GAPS} are needed")
    mean = fmean(gaps)
    return Clockwork(gaps=len(gaps), variation=stdev(gaps) / mean, mean_gap_seconds=mean)


def clockwork_critical(gaps: int) -> float:
    """Which variation do random gaps undercut once in a hundred times?

    Args:
        gaps: How many gaps, four or more.

    Returns:
        The 1 % point, that of the next lower number where the table lacks the number itself.

    Raises:
        ValueError: Fewer than four gaps.
    """
    if gaps < _FEWEST_GAPS:
        raise ValueError(f"{gaps} gaps tell nothing of a clock; {_FEWEST_GAPS} are needed")
    return CLOCKWORK_CRITICAL[max(number for number in CLOCKWORK_CRITICAL if number <= gaps)]


def repeats_with_boot(times: Sequence[float], boots: Sequence[float]) -> bool:
    """Is it only the boot sequence that repeats itself?

    Args:
        times: When each episode began, unix seconds.
        boots: When the machine booted, unix seconds.

    Returns:
        Whether two episodes or more each came the same time after a boot of their own: that is no clock, and no sign of
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
    return len(times) > 1 and len(used) == len(times) and max(delays) - min(delays) <= BOOT_REPEAT_SECONDS
