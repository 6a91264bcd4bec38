"""Rates of events compared: a link with its siblings, and anything with its own past.

Exposure may be any measure, the same on both sides; for links it is bits carried, so that rates and widths may differ.
All tests are one-sided (worse, not different) and cheap enough to be made for a hundred links at each pass; bounds of a
ratio cost some ten times as much and are asked for separately.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TypeVar

from laneproof.evidence.distributions import (
    Bounds,
    Surprise,
    clopper_pearson,
    log_binomial_at_least,
    log_negative_binomial_at_least,
    require_count,
    require_exposure,
)
from laneproof.evidence.not_enough import NotEnough

_Test = TypeVar("_Test", bound=Surprise)


@dataclass(frozen=True, slots=True, kw_only=True)
class RatioTest(Surprise):
    """One rate against another."""

    events: int  # events here
    exposure: float  # exposure here, in the same unit as the other
    other_events: int  # events there (the siblings, or earlier)
    other_exposure: float  # exposure there
    # this rate over that one: infinity where there were none there, None where there were none at all
    ratio: float | None

    def ratio_bounds(self) -> Bounds:
        """Give exact two-sided bounds of the ratio of the two rates; 0 to infinity where nothing happened at all.

        Source: conditional on the sum, the events here are binomial; C. Clopper, E. Pearson (1934).
        """
        total = self.events + self.other_events
        if total == 0:
            return Bounds(0.0, math.inf)
        _, odds = clopper_pearson(self.events, total)
        return odds.scaled(self.other_exposure / self.exposure)


def _ratio(events: int, exposure: float, other_events: int, other_exposure: float) -> float | None:
    if other_events == 0:
        return math.inf if events else None
    return events / exposure / (other_events / other_exposure)


def _require_two(events: int, exposure: float, other_events: int, other_exposure: float) -> None:
    require_count(events, "the number of events")
    require_exposure(exposure, "the exposure")
    require_count(other_events, "the other number of events")
    require_exposure(other_exposure, "the other exposure")


def against_siblings(events: int, exposure: float, other_events: int, other_exposure: float) -> RatioTest | NotEnough:
    """Is this link worse than its siblings (T4)?

    Args:
        events: Errors of this link.
        exposure: Its exposure: bits, so that rates and widths may differ.
        other_events: Errors of all siblings together.
        other_exposure: Their exposure together, in the same unit.

    Returns:
        The test: p = P(Bin(n, p0) >= events), n all events, p0 this link's share of the exposure.

    Raises:
        ValueError: A count or exposure is negative.

    Source: J. Przyborowski, H. Wilenski, Biometrika 31 (1940) 313 (conditional test of two Poisson means); from memory.
    """
    _require_two(events, exposure, other_events, other_exposure)
    if exposure == 0.0:
        return NotEnough("the link carried no bit in this period")
    if other_exposure == 0.0:
        return NotEnough("no sibling link carried a bit in this period")
    whole = exposure + other_exposure
    return RatioTest(
        log_p=log_binomial_at_least(events, events + other_events, exposure / whole, other_exposure / whole),
        events=events,
        exposure=exposure,
        other_events=other_events,
        other_exposure=other_exposure,
        ratio=_ratio(events, exposure, other_events, other_exposure),
    )


def against_history(
    events: int, exposure: float, earlier_events: int, earlier_exposure: float
) -> RatioTest | NotEnough:
    """Is this link worse than it was itself (T5)?

    The earlier rate is not known exactly, least of all where it was zero; a rate with Jeffreys' prior makes the next
    count negative binomial, which needs no guess of a smallest rate.

    Args:
        events: Errors now.
        exposure: Exposure now (time, or bits).
        earlier_events: Errors in the baseline.
        earlier_exposure: Exposure of the baseline, in the same unit.

    Returns:
        The test: p = P(X >= events), X negative binomial with r = earlier_events + 1/2, p = T0 / (T0 + T1).

    Raises:
        ValueError: A count or exposure is negative.

    Source: gamma-Poisson predictive distribution with Jeffreys' prior; A. Gelman and others, Bayesian Data Analysis,
        2.6; from memory.
    """
    _require_two(events, exposure, earlier_events, earlier_exposure)
    if exposure == 0.0:
        return NotEnough("nothing was carried or watched in this period")
    if earlier_exposure == 0.0:
        return NotEnough("there is no baseline to compare with")
    whole = earlier_exposure + exposure
    return RatioTest(
        log_p=log_negative_binomial_at_least(events, earlier_events + 0.5, earlier_exposure / whole, exposure / whole),
        events=events,
        exposure=exposure,
        other_events=earlier_events,
        other_exposure=earlier_exposure,
        ratio=_ratio(events, exposure, earlier_events, earlier_exposure),
    )


def _step_down(log_ps: Sequence[float]) -> list[float]:
    # in logarithms, where nothing underflows
    corrected = [0.0] * len(log_ps)
    largest = -math.inf
    for rank, index in enumerate(sorted(range(len(log_ps)), key=log_ps.__getitem__)):
        largest = max(largest, min(0.0, log_ps[index] + math.log(len(log_ps) - rank)))
        corrected[index] = largest
    return corrected


def correct_each(tests: Mapping[str, _Test]) -> dict[str, _Test]:
    """Correct the p of tests that were made at once, so that the chance of any false alarm stays what it was.

    Source: S. Holm, A Simple Sequentially Rejective Multiple Test Procedure, Scand. J. Statistics 6 (1979) 65.
    """
    corrected = _step_down([test.log_p for test in tests.values()])
    return {name: replace(test, log_p=log_p) for (name, test), log_p in zip(tests.items(), corrected, strict=True)}


def each_against_the_others(links: Mapping[str, tuple[int, float]]) -> dict[str, RatioTest | NotEnough]:
    """Compare each link with all of its siblings, corrected for having asked so often (T4 with Holm).

    Args:
        links: By name, the errors and the exposure of each.

    Returns:
        By name, the test with the corrected p; `NotEnough` where a link or all of its siblings carried nothing.

    Raises:
        ValueError: A count or exposure is negative.
    """
    all_events = sum(events for events, _ in links.values())
    all_exposure = math.fsum(exposure for _, exposure in links.values())
    tests = {
        name: against_siblings(events, exposure, all_events - events, max(0.0, all_exposure - exposure))
        for name, (events, exposure) in links.items()
    }
    return {**tests, **correct_each({name: test for name, test in tests.items() if isinstance(test, RatioTest)})}
