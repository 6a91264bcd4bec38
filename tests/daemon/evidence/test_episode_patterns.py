"""Disconnects: with a state, or by the clock."""

import numpy as np
import pytest
from scipy import stats

from laneproof.evidence.episode_patterns import (
    CLOCKWORK_CRITICAL,
    clockwork,
    clockwork_critical,
    merge_into_episodes,
    repeats_with_boot,
    state_share,
)
from laneproof.evidence.not_enough import NotEnough
from support.unread_answers import known

HOUR = 3600.0
DAY = 86400.0


def after_gaps(gaps_hours: list[float]) -> list[float]:
    return [0.0, *np.cumsum([gap * HOUR for gap in gaps_hours])]


def test_six_events_are_three_episodes() -> None:
    times = [day * DAY for day in (40.12, 10, 10.02, 10.05, 40.1, 71.3)]
    assert merge_into_episodes(times) == (10 * DAY, 40.1 * DAY, 71.3 * DAY)
    assert merge_into_episodes([]) == ()
    assert merge_into_episodes([0.0, 3599.0, 7200.0]) == (0.0, 7200.0)


@pytest.mark.parametrize(("inside", "episodes", "share", "p"), [(6, 7, 0.09, 3.433e-6), (3, 4, 0.25, 0.0508)])
def test_episodes_that_favour_a_state(inside: int, episodes: int, share: float, p: float) -> None:
    # Exact binomial tail
    test = known(state_share(inside, episodes, share))
    assert test.p == pytest.approx(p, rel=1e-3)
    assert test.p == pytest.approx(stats.binom.sf(inside - 1, episodes, share), rel=1e-9)


def test_episodes_every_twelve_hours() -> None:
    test = known(clockwork(after_gaps([11.6, 12.3, 11.9, 12.2, 12.4, 11.8])))
    assert test.gaps == 6
    assert test.variation == pytest.approx(0.0261, abs=5e-5)
    assert test.mean_gap_seconds == pytest.approx(12.03 * HOUR, rel=1e-3)
    assert test.is_periodic


@pytest.mark.parametrize("gaps", [*range(4, 11), 12, 15, 20, 30, 40, 50])
def test_critical_variations_agree_with_draws(gaps: int) -> None:
    # Monte Carlo 1 % points of the coefficient of variation of exponential gaps, numpy as the witness
    draws = np.random.default_rng(11).exponential(size=(200_000, gaps))
    variations = draws.std(axis=1, ddof=1) / draws.mean(axis=1)
    assert CLOCKWORK_CRITICAL[gaps] == pytest.approx(np.quantile(variations, 0.01), rel=0.02)


def test_random_gaps_are_no_clock() -> None:
    test = known(clockwork(after_gaps([3.0, 20.0, 8.0, 1.0, 14.0, 30.0])))
    assert not test.is_periodic


def test_a_perfect_clock() -> None:
    assert known(clockwork(after_gaps([12.0] * 5))).is_periodic


@pytest.mark.parametrize("gaps", [11, 17, 29, 45, 50, 80])
def test_where_a_number_of_gaps_is_not_in_the_table_a_lower_one_asks_for_more(gaps: int) -> None:
    # numpy as the witness: the points that stand in leave no more random gaps outside than their own do
    draws = np.random.default_rng(13).exponential(size=(100_000, gaps))
    variations = draws.std(axis=1, ddof=1) / draws.mean(axis=1)
    assert (variations <= clockwork_critical(gaps)).mean() < 0.0115


def test_fewer_than_four_gaps_have_no_critical_variation() -> None:
    with pytest.raises(ValueError, match="3 gaps"):
        clockwork_critical(3)


def test_only_the_last_fifty_gaps_count() -> None:
    assert known(clockwork(after_gaps([5.0] * 10 + [12.0] * 50))).variation == pytest.approx(0.0, abs=1e-9)


def test_too_few_episodes_give_no_verdict() -> None:
    assert isinstance(clockwork([0.0, 1.0, 2.0]), NotEnough)
    assert isinstance(clockwork([5.0] * 6), NotEnough)
    assert isinstance(state_share(0, 0, 0.5), NotEnough)
    assert isinstance(state_share(3, 3, 1.0), NotEnough)


def test_the_same_delay_after_each_boot_is_the_boot_sequence() -> None:
    boots = [0.0, 10 * DAY, 20 * DAY]
    assert repeats_with_boot([95.0, 10 * DAY + 97, 20 * DAY + 92], boots)
    assert not repeats_with_boot([95.0, 10 * DAY + 970, 20 * DAY + 92], boots)
    assert not repeats_with_boot([95.0, 97.0], boots)
    assert not repeats_with_boot([95.0], boots)
    assert not repeats_with_boot([95.0, 10 * DAY + 95], [5 * DAY])


def test_impossible_figures_are_refused() -> None:
    with pytest.raises(ValueError, match="5 of 4 episodes"):
        state_share(5, 4, 0.5)
    with pytest.raises(ValueError, match="share of time"):
        state_share(1, 4, 1.5)
