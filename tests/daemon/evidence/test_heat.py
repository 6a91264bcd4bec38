"""Heat by the drive's own limits, dose and response, and heat told from a full write cache."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from laneproof.evidence.heat import headroom, is_slow_for_heat, minutes_per_year, quantile, rate_rises_with_heat
from laneproof.evidence.not_enough import NotEnough
from support.unread_answers import known


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
    assert minutes_per_year(1, 0.5) == pytest.approx(2 * 8766)
    assert isinstance(minutes_per_year(0, 0.0), NotEnough)


def test_errors_by_temperature_quartile() -> None:
    # Armitage's trend test for Poisson counts with scores 0 1 2 3
    test = known(rate_rises_with_heat([2, 3, 9, 22], [1.0] * 4))
    assert test.z == pytest.approx(4.919, abs=5e-4)
    assert test.p == pytest.approx(4.34e-7, rel=2e-3)
    assert test.p == pytest.approx(stats.norm.sf(test.z), rel=1e-9)


def test_errors_that_follow_exposure_show_no_trend() -> None:
    test = known(rate_rises_with_heat([2, 4, 8, 16], [1.0, 2.0, 4.0, 8.0]))
    assert test.z == pytest.approx(0.0, abs=1e-12)
    assert test.p == pytest.approx(0.5)


def test_no_group_to_compare_gives_no_verdict() -> None:
    for events, exposures in (([0, 0, 0, 0], [1.0] * 4), ([5], [1.0]), ([5, 0], [1.0, 0.0])):
        assert isinstance(rate_rises_with_heat(events, exposures), NotEnough)


@pytest.mark.parametrize(
    ("full", "fresh", "shown"),
    [
        ((12, 3, 4, 1), (2, 3, 2, 36), False),  # the crude table misleads (odds 14.4), the strata do not
        ((14, 2, 1, 14), (13, 2, 2, 40), True),
        ((1, 14, 14, 2), (2, 40, 13, 2), False),  # cold that slows
        ((0, 0, 3, 4), (0, 0, 1, 2), False),  # no window was hot
        ((5, 0, 0, 0), (0, 0, 0, 5), False),  # within each group all are alike
    ],
)
def test_heat_is_shown_only_with_the_cache_held_fixed(
    full: tuple[int, int, int, int],
    fresh: tuple[int, int, int, int],
    shown: bool,
) -> None:
    # N. Mantel, W. Haenszel 1959
    assert is_slow_for_heat(full, fresh) is shown


def test_impossible_figures_are_refused() -> None:
    with pytest.raises(ValueError, match="groups need"):
        rate_rises_with_heat([1, 2], [1.0])
    with pytest.raises(ValueError, match="share"):
        quantile([1.0], 1.5)
    with pytest.raises(ValueError, match="minutes"):
        minutes_per_year(-1, 1.0)
