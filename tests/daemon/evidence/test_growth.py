"""Accelerating errors: Laplace and power law."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from laneproof.evidence.growth import growth
from laneproof.evidence.not_enough import NotEnough
from support.unread_answers import known


def test_errors_that_crowd_at_the_end() -> None:
    # Laplace test and the MIL-HDBK-189 statistic (NIST/SEMATECH e-Handbook, trend tests)
    test = known(growth([100, 160, 200, 225, 240, 250, 256, 260], 270))
    assert test.laplace.u == pytest.approx(2.772, abs=5e-4)
    assert test.laplace.p == pytest.approx(0.00279, abs=5e-6)
    assert test.power_law.exponent == pytest.approx(3.502, abs=5e-4)
    assert test.power_law.statistic == pytest.approx(4.569, abs=5e-4)
    assert test.power_law.p == pytest.approx(0.00249, abs=5e-6)
    assert test.accelerating


def test_errors_that_come_evenly() -> None:
    test = known(growth([30, 60, 95, 130, 160, 200, 235, 262], 270))
    assert test.laplace.u == pytest.approx(0.417, abs=5e-4)
    assert test.laplace.p == pytest.approx(0.338, abs=5e-4)
    assert test.power_law.exponent == pytest.approx(1.237, abs=5e-4)
    assert test.power_law.p == pytest.approx(0.323, abs=5e-4)
    assert not test.accelerating


@given(times=st.lists(st.floats(0.01, 100.0), min_size=3, max_size=40))
def test_both_tests_agree_with_scipy_s_distributions(times: list[float]) -> None:
    test = known(growth(times, 100.0))
    assert test.laplace.p == pytest.approx(stats.norm.sf(test.laplace.u), rel=1e-9)
    theirs = stats.chi2.cdf(2 * sum(math.log(100.0 / time) for time in times), 2 * len(times))
    assert test.power_law.p == pytest.approx(theirs, rel=1e-7, abs=1e-290)


def test_an_error_at_the_very_start_is_no_growth() -> None:
    test = known(growth([0.0, 5.0, 9.0], 10.0))
    assert test.power_law.p == 1.0
    assert test.power_law.exponent == 0.0
    assert not test.accelerating


def test_errors_all_at_the_last_moment_are_growth() -> None:
    assert known(growth([10.0, 10.0, 10.0], 10.0)).power_law.exponent == math.inf
    assert known(growth([10.0, 10.0, 10.0], 10.0)).power_law.p == 0.0


def test_too_few_events_show_no_growth() -> None:
    assert isinstance(growth([1.0, 2.0], 3.0), NotEnough)


def test_a_time_outside_of_the_watch_is_refused() -> None:
    with pytest.raises(ValueError, match="outside"):
        growth([1.0, 2.0, 4.0], 3.0)
    with pytest.raises(ValueError, match="time watched"):
        growth([], -1.0)
