"""Wear by two clocks and spare, with bounds for rounded readings."""

import math

import pytest

from laneproof.evidence.not_enough import NotEnough
from laneproof.evidence.wear import (
    DATA_UNIT_BYTES,
    by_percentage,
    by_spare,
    by_writes,
    is_spare_low,
    nearer,
)
from support.unread_answers import known

TB = 1e12


def test_twelve_to_fifteen_percent_in_half_a_year() -> None:
    # 85 points left at 3 points in 180 days; a true rise of 2 to 4 points rounds to the same readings
    remaining = known(by_percentage(12, 15, 180.0))
    assert (remaining.days, remaining.shortest_days, remaining.longest_days) == (5100.0, 3825.0, 7650.0)


def test_a_rise_of_one_point_has_no_longest_time() -> None:
    assert known(by_percentage(12, 13, 180.0)).longest_days == math.inf


def test_data_units_are_512_000_bytes() -> None:
    # NVM Express Base Specification, Data Units Written: thousands of 512 bytes
    written = 343_649_247 * DATA_UNIT_BYTES
    assert written / TB == pytest.approx(175.95, abs=5e-3)


def test_writes_against_the_rating() -> None:
    # 175 TB in 11,374 powered hours, rated for 600 TB
    remaining = known(by_writes(175 * TB, 11_374.0, 600 * TB, 175 * TB))
    assert remaining.days == pytest.approx(425 / 0.3693, rel=2e-4)  # 0.3693 TB a day
    assert remaining.days == pytest.approx(1151, abs=0.5)
    assert remaining.shortest_days == pytest.approx(remaining.days, rel=1e-6)
    assert remaining.shortest_days <= remaining.days <= remaining.longest_days


def test_the_pace_of_a_month_against_the_life() -> None:
    remaining = known(by_writes(3 * TB, 720.0, 600 * TB, 300 * TB))
    assert remaining.days == pytest.approx(3000.0)


def test_spare_to_its_threshold() -> None:
    assert known(by_spare(100, 94, 10, 120.0)).days == 1680.0


def test_the_nearer_clock_is_reported() -> None:
    percentage, writes = by_percentage(12, 15, 180.0), by_writes(175 * TB, 11_374.0, 600 * TB, 175 * TB)
    assert known(nearer(percentage, writes)).clock == "writes"
    assert known(nearer(percentage, NotEnough("no rating"))).clock == "percentage"
    assert str(nearer(NotEnough("no rating"), NotEnough("one reading"))).endswith("no rating; one reading")
    assert isinstance(nearer(), NotEnough)


def test_what_did_not_move_says_how_long_at_least() -> None:
    answer = by_percentage(12, 12, 30.0)
    assert isinstance(answer, NotEnough)
    assert "at least 2640 more" in str(answer)
    assert isinstance(by_spare(100, 100, 10, 30.0), NotEnough)
    assert isinstance(by_writes(0.0, 720.0, 600 * TB, 0.0), NotEnough)


def test_no_time_between_readings_gives_no_verdict() -> None:
    assert isinstance(by_percentage(12, 15, 0.0), NotEnough)
    assert isinstance(by_spare(100, 94, 10, 0.0), NotEnough)
    assert isinstance(by_writes(TB, 0.0, 600 * TB, TB), NotEnough)
    assert isinstance(by_writes(TB, 10.0, 0.0, TB), NotEnough)


def test_past_the_limit_nothing_is_left() -> None:
    # percentage used may pass 100 (NVM Express Base Specification)
    assert known(by_percentage(103, 103, 30.0)).days == 0.0
    assert known(by_percentage(99, 104, 30.0)).shortest_days == 0.0
    assert known(by_writes(601 * TB, 24.0, 600 * TB, 601 * TB)).days == 0.0
    assert known(by_spare(12, 9, 10, 30.0)).days == 0.0


@pytest.mark.parametrize(
    ("now", "threshold", "low"), [(16, 10, False), (15, 10, True), (9, 10, True), (100, 10, False)]
)
def test_spare_near_its_threshold(now: int, threshold: int, low: bool) -> None:
    assert is_spare_low(now, threshold) is low


def test_a_counter_that_runs_backwards_is_refused() -> None:
    with pytest.raises(ValueError, match="fell from 15 to 12"):
        by_percentage(15, 12, 180.0)
    with pytest.raises(ValueError, match="grew from 94 to 100"):
        by_spare(94, 100, 10, 120.0)
    with pytest.raises(ValueError, match="bytes written"):
        by_writes(-1.0, 1.0, 1.0, 1.0)
