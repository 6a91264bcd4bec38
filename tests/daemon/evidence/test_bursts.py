"""Bursts: the index of dispersion, exact occupancy where counts are sparse, error minutes in a table."""

import pytest
from scipy import stats

from laneproof.evidence.bursts import dispersion
from laneproof.evidence.not_enough import NotEnough
from support.unread_answers import known


def test_bursty_counts() -> None:
    # Fisher, Thornton and Mackenzie's index of dispersion, chi-square with n - 1 degrees of freedom
    test = known(dispersion([0, 0, 14, 0, 1, 0, 0, 22, 0, 0, 3, 0]))
    assert test.mean == pytest.approx(3.333, abs=5e-4)
    assert test.index == pytest.approx(15.18, abs=5e-3)
    assert test.statistic == pytest.approx(167.0, abs=0.05)
    assert test.p == pytest.approx(4.9e-30, rel=0.02)
    assert test.p == pytest.approx(stats.chi2.sf(test.statistic, 11), rel=1e-9)
    assert test.bursty


def test_even_counts() -> None:
    test = known(dispersion([1, 0, 2, 1, 0, 1, 3, 0, 1, 1, 0, 2]))
    assert test.index == pytest.approx(0.909, abs=5e-4)
    assert test.statistic == pytest.approx(10.0)
    assert test.p == pytest.approx(0.530, abs=5e-4)
    assert not test.bursty


def test_two_errors_in_one_minute_of_a_day_are_no_proof_of_a_burst() -> None:
    # Birthday problem: two independent events share one of 1440 minutes once in 1440 days
    test = known(dispersion([0] * 1439 + [2]))
    assert test.p == pytest.approx(1 / 1440)
    assert stats.chi2.sf(test.statistic, 1439) < 1e-60  # what the chi-square form would have said


def test_as_many_as_have_a_birthday_in_common_by_chance_are_no_burst() -> None:
    # Birthday problem: of 23 people two share one of 365 days at 50.7 % (R. von Mises 1939, from memory)
    assert known(dispersion([2, *[1] * 21, *[0] * 343])).p == pytest.approx(0.5073, abs=5e-5)


def test_three_errors_in_one_minute_of_a_day_are_a_burst() -> None:
    test = known(dispersion([0] * 1439 + [3]))
    assert test.p == pytest.approx(1 / 1440**2)
    assert test.bursty


def test_sparse_counts_that_share_no_minute_are_even() -> None:
    assert known(dispersion([0, 1] * 10)).p == pytest.approx(1.0)


@pytest.mark.parametrize("counts", [[], [5], [0, 0, 0], [0, 1, 0]])
def test_one_event_says_nothing_of_bursts(counts: list[int]) -> None:
    assert isinstance(dispersion(counts), NotEnough)


def test_a_negative_count_is_refused() -> None:
    with pytest.raises(ValueError, match="each count"):
        dispersion([1, -1])
