"""The moment of a change: worked series, the bound against simulation, and what changed near it."""

import numpy as np
import pytest
from scipy.special import xlogy

from laneproof.evidence.change_point import ChangePoint, change_point
from laneproof.evidence.not_enough import NotEnough
from support.unread_answers import known

JUMP = [0, 1, 0, 0, 0, 1, 0, 0, 4, 6, 5, 7]
EVEN = [2, 1, 3, 2, 1, 2, 3, 1, 2, 2, 1, 3]


def found(counts: list[int], exposures: list[float] | None = None) -> ChangePoint:
    return known(change_point(counts, exposures or [1.0] * len(counts)))


def test_a_jump_after_day_eight() -> None:
    # Likelihood ratio of two Poisson rates; counting all paths gives 1.2e-8 (computed apart from this)
    change = found(JUMP)
    assert change.split == 8
    assert change.statistic == pytest.approx(36.193, abs=5e-4)
    assert (change.rate_before, change.rate_after) == (pytest.approx(0.25), pytest.approx(5.5))
    assert 1.2e-8 <= change.p < 1.4e-8


def test_an_even_series() -> None:
    assert found(EVEN).statistic == pytest.approx(0.578, abs=5e-4)
    assert found(EVEN).p >= 0.97


def drawn_statistics(events: int, days: int, draws: int) -> np.ndarray:
    """Largest G of evenly spread events, by a route of its own: numpy's multinomial and scipy's x log y."""
    early = np.random.default_rng(5).multinomial(events, [1 / days] * days, size=draws).cumsum(axis=1)[:, :-1]
    share = np.arange(1, days) / days
    g = xlogy(early, early / (events * share)) + xlogy(events - early, (events - early) / (events * (1 - share)))
    return 2 * g.max(axis=1)


def test_critical_values_agree_with_draws_and_the_bound_is_never_too_small() -> None:
    # Monte Carlo critical values of G for 24 events in 12 days: 8.34 (95 %) and 9.81 (99 %)
    drawn = drawn_statistics(24, 12, 100_000)
    assert np.quantile(drawn, [0.95, 0.99]) == pytest.approx([8.34, 9.81], rel=0.05)
    for counts in (EVEN, [1, 1, 1, 1, 1, 1, 3, 3, 3, 3, 3, 3], [0, 0, 1, 1, 1, 1, 3, 4, 3, 4, 3, 3]):
        change = found(counts)
        share = float((drawn >= change.statistic - 1e-9).mean())
        assert 0.9 * share <= change.p <= min(1.0, 10.0 * share)


def test_unequal_exposures_count() -> None:
    # a day off half the time: the same rate throughout, so nothing to be seen
    assert found([4, 4, 2, 2], [1.0, 1.0, 0.5, 0.5]).statistic == pytest.approx(0.0, abs=1e-12)
    assert found([4, 4, 4, 4], [1.0, 1.0, 0.1, 0.1]).split == 2


def test_thousands_of_errors_are_bounded_in_no_time() -> None:
    change = found([10] * 300 + [200] * 65)
    assert change.split == 300
    assert change.p == 0.0
    assert change.log_p < -1e4


def test_too_little_to_split() -> None:
    for counts, exposures in (([], []), ([5], [1.0]), ([0, 0, 0], [1.0] * 3), ([3, 0], [1.0, 0.0])):
        assert isinstance(change_point(counts, exposures), NotEnough)


def test_impossible_series_are_refused() -> None:
    with pytest.raises(ValueError, match="as many exposures"):
        change_point([1, 2], [1.0])
    with pytest.raises(ValueError, match="without exposure"):
        change_point([1, 2], [1.0, 0.0])
    with pytest.raises(ValueError, match="each count"):
        change_point([1, -2], [1.0, 1.0])
