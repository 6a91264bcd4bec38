"""When did it start? A retrospective look for the one moment at which a rate changed, and what else changed near it.

The likelihood ratio of "two rates, split here" against "one rate" is taken at each possible split. Its largest value is
compared with what independent events would give: exactly where the work is small, by a bound that is never too small
where it is not, or by simulation. All three are deterministic (the simulation's seed is fixed).
"""

import math
import random
from bisect import bisect, bisect_left
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import accumulate
from typing import Literal, TypeVar

from laneproof.evidence.counts import Surprise, log_binomial_at_least, require_count, require_exposure
from laneproof.evidence.not_enough import NotEnough
from laneproof.evidence.special import log_binomial_weight

Method = Literal["exact", "bound", "simulated"]
Changed = TypeVar("Changed")

NEAR_SECONDS = 7 * 86400.0
"""How far from the split a change of the machine may lie to be named beside it. Judgement."""

_MOST_STEPS = 1_000_000  # of the exact count, some quarter of a second
_MOST_DRAWS = 20_000_000  # of the simulation, some seconds
_ROUNDING = 1e-9  # two values of G that differ by less are the same value


@dataclass(frozen=True, slots=True, kw_only=True)
class ChangePoint(Surprise):
    """The likeliest moment of a change.

    Attributes:
        split: How many intervals lie before it.
        statistic: G, twice the log likelihood ratio at the split.
        rate_before: Events per unit of exposure before it.
        rate_after: Events per unit of exposure after it.
        method: How p was found; "bound" is the largest that p can be.
    """

    split: int
    statistic: float
    rate_before: float
    rate_after: float
    method: Method


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


def change_point(
    counts: Sequence[int],
    exposures: Sequence[float] | None = None,
    *,
    method: Method | None = None,
    replicates: int = 19_999,
    seed: int = 1,
) -> ChangePoint | NotEnough:
    """When did the rate change (T8)?

    Args:
        counts: Events in consecutive intervals.
        exposures: Exposure of each; equal ones if left out.
        method: How to find p: "exact" counts every path that independent events could take, "bound" adds up the splits'
            own chances (at most some ten times too large, and quick for any count), "simulated" draws. Left out: exact
            where the work is small, else the bound.
        replicates: Draws of the simulation; fewer are made where they would take too long.
        seed: Of the simulation.

    Returns:
        The likeliest split and how surprising a G of this size would be if nothing had changed.

    Raises:
        ValueError: A negative number, lengths that do not agree, events without exposure.

    Source: K. J. Worsley, Confidence Regions and Tests for a Change-Point, Biometrika 73 (1986) 91, for the form of the
        exact count; from memory.
    """
    weights = [1.0] * len(counts) if exposures is None else list(exposures)
    _require_series(counts, weights)
    total, splits = sum(counts), _splits(weights) if len(weights) > 1 else []
    if total == 0 or not splits:
        return NotEnough(f"{total} events in {len(counts)} intervals hold no change")
    sums = list(accumulate(counts))
    largest, split, share = max(((_statistic(sums[i - 1], total, f), -i, f) for i, f in splits))
    split = -split
    if method is None:
        method = "exact" if len(splits) * total * total <= _MOST_STEPS else "bound"
    match method:
        case "exact":
            log_p = _log_p_exact([f for _, f in splits], total, largest)
        case "bound":
            log_p = _log_p_bound([f for _, f in splits], total, largest)
        case "simulated":
            log_p = _log_p_simulated([f for _, f in splits], total, largest, replicates=replicates, seed=seed)
    before, whole = sums[split - 1], math.fsum(weights)
    return ChangePoint(
        log_p=log_p,
        split=split,
        statistic=largest,
        rate_before=before / (whole * share),
        rate_after=(total - before) / (whole * (1.0 - share)),
        method=method,
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


def _log_p_exact(shares: Sequence[float], total: int, largest: float) -> float:
    # Given their total, independent events walk from 0 to total as a binomial chain. A path is taken out at the first
    # split at which it leaves the ordinary range; what was taken out adds up to p, never found by difference.
    alive, taken, done = {0: 1.0}, 0.0, 0.0
    for share in shares:
        step = (share - done) / (1.0 - done)
        first, last = _ordinary(total, share, largest)
        ahead: dict[int, float] = {}
        for count, chance in alive.items():
            for more in range(total - count + 1):
                part = chance * math.exp(log_binomial_weight(more, total - count - more, step, 1.0 - step))
                if first <= count + more <= last:
                    ahead[count + more] = ahead.get(count + more, 0.0) + part
                else:
                    taken += part
        alive, done = ahead, share
    return min(0.0, math.log(taken)) if taken > 0.0 else -math.inf


def _log_p_bound(shares: Sequence[float], total: int, largest: float) -> float:
    # The chance that any split is extraordinary is at most the sum of the chances that each is.
    logs = []
    for share in shares:
        first, last = _ordinary(total, share, largest)
        if first > 0:
            logs.append(log_binomial_at_least(total - first + 1, total, 1.0 - share, share))
        if last < total:
            logs.append(log_binomial_at_least(last + 1, total, share, 1.0 - share))
    top = max(logs, default=-math.inf)
    return -math.inf if top == -math.inf else min(0.0, top + math.log(math.fsum(math.exp(one - top) for one in logs)))


def _log_p_simulated(shares: Sequence[float], total: int, largest: float, *, replicates: int, seed: int) -> float:
    draw = random.Random(seed)  # noqa: S311 - a reproducible draw is wanted, not a secret
    replicates = max(1, min(replicates, _MOST_DRAWS // (total + len(shares))))
    ranges = [_ordinary(total, share, largest) for share in shares]
    extraordinary = 0
    for _ in range(replicates):
        held = [0] * (len(shares) + 1)
        for _ in range(total):
            held[bisect(shares, draw.random())] += 1
        sums = accumulate(held)
        extraordinary += any(not first <= count <= last for count, (first, last) in zip(sums, ranges, strict=False))
    return math.log((extraordinary + 1) / (replicates + 1))


def changed_near(
    changes: Iterable[tuple[float, Changed]], at: float, within_seconds: float = NEAR_SECONDS
) -> tuple[tuple[float, Changed], ...]:
    """What else changed about when it started?

    Args:
        changes: When (unix seconds) and what: kernel, firmware of the board or a drive, slot, power setting.
        at: When the rate changed, unix seconds.
        within_seconds: How far apart they may lie.

    Returns:
        Those within reach, the nearest first.
    """
    near = [(when, what) for when, what in changes if abs(when - at) <= within_seconds]
    return tuple(sorted(near, key=lambda one: abs(one[0] - at)))
