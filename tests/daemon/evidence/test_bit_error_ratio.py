"""Links against the specified error ratio of 1e-12 (PCI Express Base Specification, electrical; from memory)."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from laneproof.evidence.bit_error_ratio import (
    SPECIFIED_ERROR_RATIO,
    against_specification,
    bits_carried,
    clean_error_ratio,
    receiver_errors,
)
from laneproof.evidence.not_enough import NotEnough
from support.unread_answers import known

HOUR = 3600.0
DAY = 24 * HOUR


@pytest.mark.parametrize(
    ("gt_s", "x1", "x2", "x4"),
    [
        (2.5, 9.0, 18.0, 36.0),
        (5, 18, 36, 72),
        (8, 28.8, 57.6, 115.2),
        (16, 57.6, 115.2, 230.4),
        (32, 115.2, 230.4, 460.8),
    ],
)
def test_errors_an_hour_that_a_legal_link_may_make(gt_s: float, x1: float, x2: float, x4: float) -> None:
    # 1e-12 per bit times rate times lanes times 3600 s, one direction
    allowed = [bits_carried(gt_s=gt_s, lanes=lanes, seconds=HOUR) * SPECIFIED_ERROR_RATIO for lanes in (1, 2, 4)]
    assert allowed == pytest.approx([x1, x2, x4])


def test_six_errors_in_ten_seconds_are_out_of_specification_and_five_are_not_yet() -> None:
    # Exact Poisson test at 16 GT/s x4
    test = known(against_specification(5, bits_carried(gt_s=16, lanes=4, seconds=10)))
    assert test.allowed == pytest.approx(0.64)
    assert test.p == pytest.approx(5.271e-4, rel=1e-3)
    assert not test.is_out_of_specification
    assert known(against_specification(6, test.bits)).is_out_of_specification  # p = 5.5e-5


def test_twelve_errors_a_day_are_legal() -> None:
    test = known(against_specification(12, bits_carried(gt_s=16, lanes=4, seconds=DAY)))
    bounds = test.error_ratio_bounds()
    assert test.error_ratio == pytest.approx(2.17e-15, rel=2e-3)
    assert bounds.lower == pytest.approx(1.12e-15, rel=3e-3)
    assert bounds.upper == pytest.approx(3.79e-15, rel=2e-3)
    assert not test.is_out_of_specification
    assert test.p == pytest.approx(1.0)


def test_an_unshielded_ribbon_is_far_beyond() -> None:
    # Public report ARK-Electronics/ark_jetson_kernel#120: 225 errors/s over both directions at 8 GT/s x1
    both = known(against_specification(225, 2 * bits_carried(gt_s=8, lanes=1, seconds=1)))
    assert both.error_ratio == pytest.approx(1.406e-8, rel=1e-3)
    assert both.error_ratio / SPECIFIED_ERROR_RATIO == pytest.approx(14062, rel=1e-4)
    one = known(against_specification(225, bits_carried(gt_s=8, lanes=1, seconds=1)))
    assert one.error_ratio == pytest.approx(2.8e-8, rel=5e-3)
    month = known(against_specification(225 * 86400 * 30, bits_carried(gt_s=8, lanes=1, seconds=30 * DAY)))
    assert month.p == 0.0
    assert month.log_p < -1e9  # still a number, where the probability itself is below every float
    assert month.is_out_of_specification


@given(errors=st.integers(0, 3000), bits=st.floats(1e9, 1e16))
def test_the_test_is_scipy_s_poisson_tail(errors: int, bits: float) -> None:
    theirs = stats.poisson.sf(errors - 1, bits * 1e-12)
    assert theirs < 1e-250 or math.isclose(known(against_specification(errors, bits)).p, theirs, rel_tol=1e-9)


def test_a_link_that_carried_nothing_gives_no_verdict() -> None:
    assert isinstance(against_specification(0, 0.0), NotEnough)
    assert "no bit" in str(against_specification(3, 0.0))


def test_one_error_may_set_two_counters() -> None:
    # Linux drivers/pci/pcie/aer.c counts each status bit
    assert receiver_errors(rx_err=5, bad_tlp=7, bad_dllp=1) == (7, 13)


@pytest.mark.parametrize(("errors", "bits"), [(-1, 1.0), (1, -1.0), (1, math.inf)])
def test_negative_figures_are_refused(errors: int, bits: float) -> None:
    with pytest.raises(ValueError, match="must be a"):
        against_specification(errors, bits)


def test_negative_counters_and_lanes_are_refused() -> None:
    with pytest.raises(ValueError, match="receiver's count"):
        receiver_errors(rx_err=-1, bad_tlp=0, bad_dllp=0)
    with pytest.raises(ValueError, match="number of lanes"):
        bits_carried(gt_s=8, lanes=-4, seconds=1)


def test_a_link_without_an_error_is_below_a_ratio() -> None:
    # exact Poisson bound for no event, scipy's chi-square as the witness
    assert clean_error_ratio(9.1e14) == pytest.approx(stats.chi2.isf(0.05, 2) / 2 / 9.1e14)
    assert isinstance(clean_error_ratio(0.0), NotEnough)
    with pytest.raises(ValueError, match="bits"):
        clean_error_ratio(-1.0)
