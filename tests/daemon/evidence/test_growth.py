"""Accelerating errors: Laplace, power law, Mann-Kendall and Theil-Sen."""

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from laneproof.evidence.growth import ODDS_AFTER_FIRST_UNCORRECTABLE, Growth, TrendTest, growth, trend
from laneproof.evidence.not_enough import NotEnough


def grown(times: list[float], watched: float) -> Growth:
    test = growth(times, watched)
    assert isinstance(test, Growth)
    return test


def risen(values: list[float]) -> TrendTest:
    test = trend(values)
    assert isinstance(test, TrendTest)
    return test


def test_errors_that_crowd_at_the_end() -> None:
    # Laplace test and the MIL-HDBK-189 statistic (NIST/SEMATECH e-Handbook, trend tests)
    test = grown([100, 160, 200, 225, 240, 250, 256, 260], 270)
    assert test.laplace.u == pytest.approx(2.772, abs=5e-4)
    assert test.laplace.p == pytest.approx(0.00279, abs=5e-6)
    assert test.power_law.exponent == pytest.approx(3.502, abs=5e-4)
    assert test.power_law.statistic == pytest.approx(4.569, abs=5e-4)
    assert test.power_law.p == pytest.approx(0.00249, abs=5e-6)
    assert test.accelerating


def test_errors_that_come_evenly() -> None:
    test = grown([30, 60, 95, 130, 160, 200, 235, 262], 270)
    assert test.laplace.u == pytest.approx(0.417, abs=5e-4)
    assert test.laplace.p == pytest.approx(0.338, abs=5e-4)
    assert test.power_law.exponent == pytest.approx(1.237, abs=5e-4)
    assert test.power_law.p == pytest.approx(0.323, abs=5e-4)
    assert not test.accelerating


@given(times=st.lists(st.floats(0.01, 100.0), min_size=3, max_size=40))
@settings(deadline=None)
def test_both_tests_agree_with_scipy_s_distributions(times: list[float]) -> None:
    test = grown(times, 100.0)
    assert test.laplace.p == pytest.approx(stats.norm.sf(test.laplace.u), rel=1e-9)
    theirs = stats.chi2.cdf(2 * sum(math.log(100.0 / time) for time in times), 2 * len(times))
    assert test.power_law.p == pytest.approx(theirs, rel=1e-7, abs=1e-290)


def test_an_error_at_the_very_start_is_no_growth() -> None:
    test = grown([0.0, 5.0, 9.0], 10.0)
    assert test.power_law.p == 1.0
    assert test.power_law.exponent == 0.0
    assert not test.accelerating


def test_errors_all_at_the_last_moment_are_growth() -> None:
    assert grown([10.0, 10.0, 10.0], 10.0).power_law.exponent == math.inf
    assert grown([10.0, 10.0, 10.0], 10.0).power_law.p == 0.0


def test_weekly_increases() -> None:
    # Mann-Kendall with ties and continuity correction, Theil-Sen slope with Sen's bounds
    test = risen([0, 0, 1, 0, 2, 1, 3, 2, 5, 4])
    assert test.s == 32
    assert test.variance == pytest.approx(119.33, abs=5e-3)
    assert test.z == pytest.approx(2.838, abs=5e-4)
    assert test.p == pytest.approx(0.00454, abs=5e-6)
    assert test.slope == 0.5
    assert (test.slope_bounds.lower, test.slope_bounds.upper) == (0.25, pytest.approx(0.714, abs=5e-4))


def test_a_published_series() -> None:
    # Worked by hand at mathcs.holycross.edu/~little/Montserrat/MannKendallByHand.txt: S = 54, Z = 2.9058
    values = [12.9, 14.8, 13.2, 15.7, 13.8, 15.6, 12.9, 11.0, 17.3, 15.9, 19.0, 18.3, 20.1, 21.7]
    test = risen(values)
    assert test.s == 54
    assert test.z == pytest.approx(2.9058, abs=1e-3)


@given(values=st.lists(st.integers(0, 6), min_size=5, max_size=30))
@settings(deadline=None)
def test_slope_agrees_with_scipy(values: list[int]) -> None:
    test = trend(values)
    if isinstance(test, NotEnough):
        assert len(set(values)) == 1
        return
    steps = range(len(values))
    theirs = stats.theilslopes(values, steps)
    assert test.slope == pytest.approx(theirs.slope)
    assert test.slope_bounds.lower <= theirs.slope <= test.slope_bounds.upper
    assert test.slope_bounds.lower == pytest.approx(theirs.low_slope)
    assert test.slope_bounds.upper == pytest.approx(theirs.high_slope)
    tau = stats.kendalltau(steps, values, method="asymptotic")
    uncorrected = 2 * stats.norm.sf(abs(test.s) / math.sqrt(test.variance))  # as scipy: no continuity correction
    assert tau.pvalue == pytest.approx(uncorrected)


def test_odds_after_the_first_uncorrectable_error() -> None:
    # Flash Reliability in Production, USENIX FAST 2016: 30 % against 2 % in a month
    assert round(ODDS_AFTER_FIRST_UNCORRECTABLE) == 21


def test_too_few_events_show_no_growth() -> None:
    assert isinstance(growth([1.0, 2.0], 3.0), NotEnough)
    assert isinstance(trend([1, 2, 3]), NotEnough)
    assert isinstance(trend([2, 2, 2, 2, 2]), NotEnough)


def test_a_time_outside_of_the_watch_is_refused() -> None:
    with pytest.raises(ValueError, match="outside"):
        growth([1.0, 2.0, 4.0], 3.0)
    with pytest.raises(ValueError, match="time watched"):
        growth([], -1.0)
