"""Columns of time: whole hours and days, gaps that stay gaps, and gains that add up."""

from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from laneproof.history.series import Point, Series, point_at
from laneproof.outputs.time_columns import STEPS, Column, Grid, choose_grid, count_times, fill_columns

HOUR, DAY = 3600.0, 86400.0
MIDNIGHT = 20_000 * DAY
HOURS = Grid(begins=MIDNIGHT, step=HOUR, count=6, until=MIDNIGHT + 6 * HOUR)


def _series(*points: Point, until: float = MIDNIGHT + 6 * HOUR, is_counter: bool = True) -> Series:
    return Series(
        path="0000:00/01.1", drive="FN0001", end="drive", name="media_errors", is_counter=is_counter, boot_id=None,
        points=points, known_until=until,
    )  # fmt: skip


def _at(hours: float, value: float | None) -> Point:
    return point_at(MIDNIGHT + hours * HOUR, value)


@given(st.floats(1, 800 * DAY), st.integers(20, 200), st.floats(MIDNIGHT, MIDNIGHT + DAY))
def test_a_grid_fits_its_room_and_its_time(span: float, most: int, until: float) -> None:
    grid = choose_grid(until - span, until, most)
    assert 1 <= grid.count <= most
    assert grid.begins <= until - span
    assert grid.begins + grid.count * grid.step >= until - 1e-3
    assert grid.column_of(until - span) is not None
    if grid.step in STEPS:
        assert grid.begins % grid.step == 0


def test_lengths_are_what_a_person_reckons_with() -> None:
    assert [b > a for a, b in pairwise(STEPS)] == [True] * (len(STEPS) - 1)
    assert all(DAY % step == 0 or step % DAY == 0 for step in STEPS)


@pytest.mark.parametrize(
    ("back", "room", "step"),
    [
        (HOUR, 31, 120.0),
        (DAY, 31, HOUR),
        (2 * DAY, 200, 900.0),
        (4 * DAY, 200, HOUR),
        (29 * DAY, 200, DAY),
        (30 * DAY, 31, DAY),
        (200 * DAY, 31, 7 * DAY),
        (400 * DAY, 31, 14 * DAY),
        (800 * DAY, 31, 28 * DAY),
        (2000 * DAY, 31, 91 * DAY),
        (9000 * DAY, 31, 364 * DAY),
    ],
)
def test_columns_are_no_finer_than_what_is_kept(back: float, room: int, step: float) -> None:
    # Samples are kept for three days, hours for four weeks: docs/history.md.
    assert choose_grid(MIDNIGHT - back, MIDNIGHT, room).step == step


def test_a_counter_gains_in_the_column_in_which_it_moved() -> None:
    columns = fill_columns([_series(_at(0, 5), _at(1.5, 7), _at(1.7, 8), _at(4, 9))], HOURS)
    assert [column and column.gained for column in columns] == [0, 3, 0, 0, 1, 0]
    assert columns[2] == Column(8, 8)


def test_nothing_read_is_none_and_what_was_gained_meanwhile_comes_after() -> None:
    series = _series(_at(0, 5), _at(1, None), _at(4, 9))
    assert fill_columns([series], HOURS) == (
        Column(5, 5), None, None, None, Column(9, 9, 4), Column(9, 9),
    )  # fmt: skip


def test_nothing_is_known_after_the_last_pass() -> None:
    columns = fill_columns([_series(_at(0, 5), until=MIDNIGHT + 1.5 * HOUR)], HOURS)
    assert [column is not None for column in columns] == [True, True, False, False, False, False]


def test_each_boots_counter_gains_for_itself() -> None:
    first = _series(_at(0, 100), _at(1, 103), until=MIDNIGHT + 2 * HOUR)
    second = _series(_at(3, 2), _at(4, 6))
    columns = fill_columns([first, second], HOURS)
    assert [column and column.gained for column in columns] == [0, 3, None, 0, 4, 0]


def test_a_reading_shows_its_bounds() -> None:
    folded = Point(began_at=MIDNIGHT + HOUR, ended_at=MIDNIGHT + 1.9 * HOUR, low=31, high=58, last=40, samples=9)
    columns = fill_columns([_series(_at(0, 38), folded, _at(4, 45), is_counter=False)], HOURS)
    assert columns == (
        Column(38, 38), Column(31, 58), Column(40, 40), Column(40, 40), Column(45, 45), Column(45, 45),
    )  # fmt: skip


def test_a_gap_in_which_nobody_watched_is_a_gap() -> None:
    away = Point(MIDNIGHT + HOUR, MIDNIGHT + 4 * HOUR, low=None, high=None, last=None, samples=0)
    columns = fill_columns([_series(_at(0, 38), away, _at(4, 38), is_counter=False)], HOURS)
    assert [column is None for column in columns] == [False, True, True, True, False, False]


@given(st.lists(st.tuples(st.floats(0, 5.99), st.integers(0, 9)), min_size=1, max_size=40))
def test_columns_add_up_to_what_was_gained(moves: list[tuple[float, int]]) -> None:
    value, points = 10, [_at(0, 10)]
    for hours, step in sorted(moves):
        value += step
        points.append(_at(hours, value))
    columns = fill_columns([_series(*points)], HOURS)
    assert sum(column.gained for column in columns if column) == value - 10


def test_what_lies_outside_counts_nowhere() -> None:
    assert HOURS.column_of(MIDNIGHT - 1) is None
    assert HOURS.column_of(MIDNIGHT + 6 * HOUR + 1) is None
    assert list(HOURS.columns_between(MIDNIGHT - 2 * HOUR, MIDNIGHT - HOUR)) == []
    assert list(HOURS.columns_between(MIDNIGHT - HOUR, MIDNIGHT + 1.5 * HOUR)) == [0, 1]


def test_events_are_counted_and_silence_is_0_only_where_somebody_watched() -> None:
    known = [True, True, False, False, False, False]
    columns = count_times(
        [(MIDNIGHT + 10, 2), (MIDNIGHT + 20, 1), (MIDNIGHT + 3 * HOUR, 1), (MIDNIGHT - 5, 9)], HOURS, known
    )
    assert columns == (Column(0, 3, 3), Column(0, 0, 0), None, Column(0, 1, 1), None, None)
