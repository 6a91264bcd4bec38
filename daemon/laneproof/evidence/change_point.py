"""When did it start? A retrospective look for the one moment at which a rate changed.

The likelihood ratio of "two rates, split here" against "one rate" is taken at each possible split. Its largest value is
compared with what independent events would give, by a bound that is never too small.
"""

import math
from bisect import bisect, bisect_left
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import accumulate

from laneproof.evidence.distributions import Surprise, log_binomial_at_least, require_count, require_exposure
from laneproof.evidence.not_enough import NotEnough

_ROUNDING = 1e-9  # two values of G that differ by less are the same value


@dataclass(frozen=True, slots=True, kw_only=True)
class ChangePoint(Surprise):
    """The likeliest moment of a change."""

    split: int  # how many intervals lie before it
    statistic: float  # G, twice the log likelihood ratio at the split
    rate_before: float  # events per unit of exposure before it
    rate_after: float  # events per unit of exposure after it


def _entropy_term(count: float, expected: float) -> float:
    return 0.0 if count == 0 else count * math.log(count / expected)


def _statistic(count: int, total: int, share: float) -> float:
    return 2.0 * (_entropy_term(count, total * share) + _entropy_term(total - count, total * (1.0 - share)))


def _splits(exposures: Sequence[float]) -> list[tuple[int, float]]:
    # (intervals before, their share of the exposure); a split with no exposure on one side is none
    sums = list(accumulate(exposures))
    return [(i + 1, part / sums[-1]) for i, part in enumerate(sums[:-1]) if 0.0 < part < sums[-1]]


def _require_series(counts: Sequence[int], exposures: Sequence[float]) -> None:
    if len(counts) != len(exposures):
        raise ValueError(f"{len(counts)} counts need as many exposures, not {len(exposures)}")
    for count, exposure in zip(counts, exposures, strict=True):
        require_count(count, "each count")
        require_exposure(exposure, "each exposure")
        if count and not exposure:
            raise ValueError("an interval without exposure cannot hold events")


def change_point(counts: Sequence[int], exposures: Sequence[float]) -> ChangePoint | NotEnough:
    """When did the rate change (T8)?

    Args:
        counts: Events in consecutive intervals.
        exposures: Exposure of each.

    Returns:
        The likeliest split and how surprising a G of this size would be if nothing had changed: the sum of the splits'
        own chances, which is some ten times too large at the most.

    Raises:
        ValueError: A negative number, lengths that do not agree, events without exposure.

    Source: K. J. Worsley, Confidence Regions and Tests for a Change-Point, Biometrika 73 (1986) 91, for the statistic
        (from memory); the sum of chances is Boole's inequality.
    """
    _require_series(counts, exposures)
    total, splits = sum(counts), _splits(exposures)
    if total == 0 or not splits:
        return NotEnough(f"{total} events in {len(counts)} intervals hold no change")
    sums = list(accumulate(counts))
    largest, split, share = max(((_statistic(sums[i - 1], total, f), -i, f) for i, f in splits))
    split = -split
    before, whole = sums[split - 1], math.fsum(exposures)
    return ChangePoint(
        log_p=_log_p_at_most([f for _, f in splits], total, largest),
        split=split,
        statistic=largest,
        rate_before=before / (whole * share),
        rate_after=(total - before) / (whole * (1.0 - share)),
    )


def _ordinary(total: int, share: float, largest: float) -> tuple[int, int]:
    # The counts before a split that leave G below the given value: from first to last, both included. G has one valley.
    limit = largest - _ROUNDING * max(1.0, largest)
    valley = min(total, max(0, round(total * share)))
    if _statistic(valley, total, share) >= limit:
        return valley, valley - 1
    below = bisect(range(valley), -limit, key=lambda count: -_statistic(count, total, share))
    above = bisect_left(range(valley + 1, total + 1), limit, key=lambda count: _statistic(count, total, share))
    return below, valley + above


def _log_p_at_most(shares: Sequence[float], total: int, largest: float) -> float:
    # The chance that any split is extraordinary is at most the sum of the chances that each is.
    logs = []
    for share in shares:
        first, last = _ordinary(total, share, largest)
        if first > 0:
            logs.append(log_binomial_at_least(total - first + 1, total, 1.0 - share, share))
        if last < total:
            logs.append(log_binomial_at_least(last + 1, total, share, 1.0 - share))
    top = max(logs, default=-math.inf)
    return -math.inf if top == -math.inf else min(0.0, top + math.log(math.fsum(math.exp(log - top) for log in logs)))
