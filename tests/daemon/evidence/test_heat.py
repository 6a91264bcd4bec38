"""Heat by the drive's own limits, dose and response, and heat told from a full write cache."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from laneproof.evidence.heat import (
    DoseTest,
    Throttling,
    headroom,
    minutes_per_year,
    quantile,
    rate_rises_with_heat,
    throttling,
)
from laneproof.evidence.not_enough import NotEnough
from laneproof.evidence.two_by_two import FisherTest, StratifiedTest, fisher


@given(values=st.lists(st.floats(-50, 150), min_size=1, max_size=60), share=st.floats(0.0, 1.0))
def test_quantile_agrees_with_numpy(values: list[float], share: float) -> None:
    assert quantile(values, share) == pytest.approx(np.quantile(values, share), rel=1e-9, abs=1e-9)


def test_headroom_is_taken_from_the_drive_s_own_threshold() -> None:
    readings = [40.0] * 94 + [60.0] * 6
    assert headroom(readings, 75.0) == pytest.approx(15.0)
    assert isinstance(headroom(readings, None), NotEnough)
    assert isinstance(headroom([40.0] * 5, 75.0), NotEnough)
    assert isinstance(quantile([], 0.5), NotEnough)


def test_minutes_a_year_above_the_threshold() -> None:
    # 72 warning minutes in 28,624 powered hours
    assert minutes_per_year(72, 28_624.0) == pytest.approx(22, abs=0.1)
    assert isinstance(minutes_per_year(0, 0.0), NotEnough)


def test_errors_by_temperature_quartile() -> None:
    # Armitage's trend test for Poisson counts with scores 0 1 2 3
    test = rate_rises_with_heat([2, 3, 9, 22])
    assert isinstance(test, DoseTest)
    assert test.z == pytest.approx(4.919, abs=5e-4)
    assert test.p == pytest.approx(4.34e-7, rel=2e-3)
    assert test.p == pytest.approx(stats.norm.sf(test.z), rel=1e-9)


def test_errors_that_follow_exposure_show_no_trend() -> None:
    test = rate_rises_with_heat([2, 4, 8, 16], [1.0, 2.0, 4.0, 8.0])
    assert isinstance(test, DoseTest)
    assert test.z == pytest.approx(0.0, abs=1e-12)
    assert test.p == pytest.approx(0.5)


def test_no_group_to_compare_gives_no_verdict() -> None:
    assert isinstance(rate_rises_with_heat([0, 0, 0, 0]), NotEnough)
    assert isinstance(rate_rises_with_heat([5]), NotEnough)
    assert isinstance(rate_rises_with_heat([5, 0], [1.0, 0.0]), NotEnough)


def test_slow_windows_when_hot() -> None:
    # Fisher's exact test
    test = fisher((14, 6, 3, 37))
    assert isinstance(test, FisherTest)
    assert test.odds_ratio == pytest.approx(28.8, abs=0.05)
    assert test.p == pytest.approx(1.02e-6, rel=5e-3)


def test_a_full_cache_looks_like_heat_until_it_is_held_fixed() -> None:
    # Mantel and Haenszel 1959: the crude table misleads, the strata do not
    test = throttling(cache_full=(12, 3, 4, 1), cache_fresh=(2, 3, 2, 36))
    assert isinstance(test, Throttling)
    assert test.crude.odds_ratio == pytest.approx(14.4, abs=0.05)
    assert test.crude.p == pytest.approx(1.87e-5, rel=5e-3)
    assert isinstance(test.stratified, StratifiedTest)
    assert test.stratified.chi_square == pytest.approx(1.057, abs=5e-4)
    assert test.stratified.p == pytest.approx(0.304, abs=5e-4)
    assert not test.shown()


def test_heat_that_stays_when_the_cache_is_held_fixed_is_shown() -> None:
    test = throttling(cache_full=(14, 2, 1, 14), cache_fresh=(13, 2, 2, 40))
    assert isinstance(test, Throttling)
    assert test.shown()


def test_cold_that_slows_is_not_heat() -> None:
    test = throttling(cache_full=(1, 14, 14, 2), cache_fresh=(2, 40, 13, 2))
    assert isinstance(test, Throttling)
    assert not test.shown()


def test_windows_all_of_one_kind_give_no_verdict() -> None:
    assert isinstance(throttling((0, 0, 3, 4), (0, 0, 1, 2)), NotEnough)
    alike = throttling((5, 0, 0, 0), (0, 0, 0, 5))
    assert isinstance(alike, Throttling)
    assert isinstance(alike.stratified, NotEnough)
    assert not alike.shown()


def test_impossible_figures_are_refused() -> None:
    with pytest.raises(ValueError, match="groups need"):
        rate_rises_with_heat([1, 2], [1.0])
    with pytest.raises(ValueError, match="share"):
        quantile([1.0], 1.5)
    with pytest.raises(ValueError, match="minutes"):
        minutes_per_year(-1, 1.0)
