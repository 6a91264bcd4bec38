"""Disconnects: with a state, together, or by the clock."""

import math

import numpy as np
import pytest
from scipy import stats

from laneproof.evidence.counts import Surprise
from laneproof.evidence.disconnects import (
    CLOCKWORK_CRITICAL,
    Clockwork,
    Coincidence,
    clockwork,
    clockwork_critical,
    merge_into_episodes,
    repeats_with_boot,
    state_share,
    together,
)
from laneproof.evidence.not_enough import NotEnough

HOUR = 3600.0
DAY = 86400.0


def after_gaps(gaps_hours: list[float]) -> list[float]:
    return [0.0, *np.cumsum([gap * HOUR for gap in gaps_hours])]


def clocked(times: list[float]) -> Clockwork:
    test = clockwork(times)
    assert isinstance(test, Clockwork)
    return test


def test_six_events_are_three_episodes() -> None:
    times = [day * DAY for day in (40.12, 10, 10.02, 10.05, 40.1, 71.3)]
    assert merge_into_episodes(times) == (10 * DAY, 40.1 * DAY, 71.3 * DAY)
    assert merge_into_episodes([]) == ()
    assert merge_into_episodes([0.0, 3599.0, 7200.0]) == (0.0, 7200.0)


@pytest.mark.parametrize(("inside", "drops", "share", "p"), [(6, 7, 0.09, 3.433e-6), (3, 4, 0.25, 0.0508)])
def test_drops_that_favour_a_state(inside: int, drops: int, share: float, p: float) -> None:
    # Exact binomial tail
    test = state_share(inside, drops, share)
    assert isinstance(test, Surprise)
    assert test.p == pytest.approx(p, rel=1e-3)
    assert test.p == pytest.approx(stats.binom.sf(inside - 1, drops, share), rel=1e-9)


def test_two_drives_that_drop_together() -> None:
    # k1 k2 2d / T = 9.645e-5 pairs by chance; four seen, Poisson tail
    drops = [1 * DAY, 7 * DAY, 12 * DAY, 20 * DAY, 26 * DAY]
    others = [1 * DAY + 2, 7 * DAY - 4, 12 * DAY + 1, 20 * DAY, 3 * DAY]
    test = together(drops, others, within_seconds=5.0, watched_seconds=30 * DAY)
    assert isinstance(test, Coincidence)
    assert test.expected == pytest.approx(9.645e-5, rel=1e-3)
    assert test.together == 4
    assert test.p == pytest.approx(3.6e-18, rel=0.01)


def test_drops_every_twelve_hours() -> None:
    test = clocked(after_gaps([11.6, 12.3, 11.9, 12.2, 12.4, 11.8]))
    assert test.gaps == 6
    assert test.variation == pytest.approx(0.0261, abs=5e-5)
    assert test.mean_gap_seconds == pytest.approx(12.03 * HOUR, rel=1e-3)
    assert test.is_periodic
    assert test.exact
    assert test.p < 1e-6


@pytest.mark.parametrize("gaps", CLOCKWORK_CRITICAL)
def test_critical_variations_agree_with_draws(gaps: int) -> None:
    # Monte Carlo 1 % points of the coefficient of variation of exponential gaps, numpy as the witness
    draws = np.random.default_rng(11).exponential(size=(200_000, gaps))
    variations = draws.std(axis=1, ddof=1) / draws.mean(axis=1)
    assert CLOCKWORK_CRITICAL[gaps] == pytest.approx(np.quantile(variations, [0.01, 0.99]), rel=0.02)


def test_the_exact_chance_of_regular_gaps_agrees_with_draws() -> None:
    draws = np.random.default_rng(12).exponential(size=(400_000, 5))
    variations = draws.std(axis=1, ddof=1) / draws.mean(axis=1)
    pattern = np.array([-1.5, -0.5, 0.0, 0.5, 1.5])
    for width in (0.15, 0.3, 0.5):
        gaps = 1.0 + pattern * width / pattern.std(ddof=1)
        test = clocked(after_gaps(list(gaps)))
        assert test.exact
        assert test.variation == pytest.approx(width)
        assert test.p == pytest.approx(float((variations <= width).mean()), rel=0.12)


def test_random_gaps_are_neither() -> None:
    test = clocked(after_gaps([3.0, 20.0, 8.0, 1.0, 14.0, 30.0]))
    assert not test.is_periodic
    assert not test.is_clustered
    assert not test.exact
    assert 0.05 < test.p < 0.95


def test_gaps_that_cluster() -> None:
    assert clocked(after_gaps([0.1, 0.1, 0.1, 500.0, 0.1, 0.1])).is_clustered


def test_a_perfect_clock() -> None:
    assert clocked(after_gaps([12.0] * 5)).log_p == -math.inf


@pytest.mark.parametrize("gaps", [11, 17, 29, 45, 50, 80])
def test_where_a_number_of_gaps_is_not_in_the_table_a_lower_one_asks_for_more(gaps: int) -> None:
    # numpy as the witness: the points that stand in leave no more random gaps outside than their own do
    draws = np.random.default_rng(13).exponential(size=(100_000, gaps))
    variations = draws.std(axis=1, ddof=1) / draws.mean(axis=1)
    lower, upper = clockwork_critical(gaps)
    assert (variations <= lower).mean() < 0.0115
    assert (variations >= upper).mean() < 0.0115


def test_fewer_than_four_gaps_have_no_critical_variation() -> None:
    with pytest.raises(ValueError, match="3 gaps"):
        clockwork_critical(3)


def test_only_the_last_fifty_gaps_count() -> None:
    assert clocked(after_gaps([5.0] * 10 + [12.0] * 50)).variation == pytest.approx(0.0, abs=1e-9)


def test_too_few_drops_give_no_verdict() -> None:
    assert isinstance(clockwork([0.0, 1.0, 2.0]), NotEnough)
    assert isinstance(clockwork([5.0] * 6), NotEnough)
    assert isinstance(state_share(0, 0, 0.5), NotEnough)
    assert isinstance(state_share(3, 3, 1.0), NotEnough)
    assert isinstance(together([], [1.0], within_seconds=5.0, watched_seconds=DAY), NotEnough)


def test_the_same_delay_after_each_boot_is_the_boot_sequence() -> None:
    boots = [0.0, 10 * DAY, 20 * DAY]
    assert repeats_with_boot([95.0, 10 * DAY + 97, 20 * DAY + 92], boots)
    assert not repeats_with_boot([95.0, 10 * DAY + 970, 20 * DAY + 92], boots)
    assert not repeats_with_boot([95.0, 97.0], boots)
    assert not repeats_with_boot([95.0], boots)
    assert not repeats_with_boot([95.0, 10 * DAY + 95], [5 * DAY])


def test_impossible_figures_are_refused() -> None:
    with pytest.raises(ValueError, match="5 of 4 drops"):
        state_share(5, 4, 0.5)
    with pytest.raises(ValueError, match="share of time"):
        state_share(1, 4, 1.5)
    with pytest.raises(ValueError, match="gap"):
        merge_into_episodes([1.0], -1.0)
    with pytest.raises(ValueError, match="time watched"):
        together([1.0], [1.0], within_seconds=1.0, watched_seconds=-1.0)
