"""Errors by the hour: which end counts which direction, and what folding keeps."""

from hypothesis import given, settings
from hypothesis import strategies as st

from boxes.simulated_past import DAY, HOUR
from laneproof.past.tally import KEEP_DAYS, KEEP_HOURS, Tally, TallySeries, total

START = 1_790_000_000.0 - 1_790_000_000.0 % (7 * DAY)


def filled(hours: int, *, errors: int = 1) -> TallySeries:
    series = TallySeries()
    for hour in range(hours):
        row = series.open_row(START + hour * HOUR + 30.0)
        row.seconds += HOUR
        row.device_errors += errors
        row.bits += 1.0
    return series


def test_both_ends_of_one_direction_are_not_added_up() -> None:
    # One bad packet on the way down: the drive counts a bad TLP, the port counts the replay.
    tally = Tally(begins=0.0, device_errors=3, port_replays=2, port_errors=1)
    assert (tally.downstream, tally.upstream, tally.errors) == (3, 1, 3)
    assert Tally(begins=0.0, port_replays=5).downstream == 5  # of a drive that counts nothing


def test_repeats_alone_allow_for_one_damaged_packet_in_a_hundred() -> None:
    assert Tally(begins=0.0, port_replays=5).is_repeats_alone
    assert not Tally(begins=0.0, port_replays=99, device_errors=1, most=1).is_repeats_alone
    assert Tally(begins=0.0, port_replays=100, device_errors=1, most=1).is_repeats_alone
    assert not Tally(begins=0.0).is_repeats_alone
    assert not Tally(begins=0.0, port_replays=1000, fatal=1).is_repeats_alone


@settings(max_examples=30)
@given(hours=st.integers(1, 24 * 100))
def test_folding_loses_nothing(hours: int) -> None:
    series = filled(hours)
    whole = total(series.rows)
    assert whole.device_errors == hours
    assert whole.seconds == hours * HOUR
    assert whole.bits == hours


def test_a_year_stays_small() -> None:
    series = filled(24 * 450)
    assert len(series.rows) < 220
    begins = [row.begins for row in series.rows]
    assert begins == sorted(begins)
    assert total(series.rows).device_errors == 24 * 450


def test_the_last_days_stay_by_the_hour() -> None:
    series = filled(24 * 100)
    now = START + 24 * 100 * HOUR
    recent = [row for row in series.rows if row.begins >= now - KEEP_HOURS + DAY]
    assert all(row.span == HOUR for row in recent)
    older = [row for row in series.rows if now - KEEP_DAYS + 7 * DAY <= row.begins < now - KEEP_HOURS - DAY]
    assert all(row.span == DAY for row in older)


def test_what_lies_before_and_since_a_moment_is_all() -> None:
    series = filled(24 * 20)
    moment = START + 18 * DAY
    assert series.since(moment).device_errors + series.between(0.0, moment).device_errors == 24 * 20
    assert series.since(moment).device_errors == 24 * 2


def test_a_row_that_was_ended_is_not_opened_again() -> None:
    series = TallySeries()
    series.open_row(START + 60.0).device_errors += 3
    series.close_row(START + 120.0)
    series.open_row(START + 180.0).device_errors += 5
    assert [(row.begins, row.device_errors) for row in series.rows] == [(START, 3), (START + 120.0, 5)]
    assert series.since(START + 120.0).device_errors == 5
    series.open_row(START + HOUR)
    assert len(series.rows) == 3
