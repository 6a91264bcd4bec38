"""Series with the gaps where nobody watched."""

from laneproof.history.series import PassPoint, Point, Watch, cut, point_at, with_gaps

BOOT = 1


def _watch(first: int, last: int) -> Watch:
    """A watch whose passes are a minute apart."""
    return Watch(boot=BOOT, first_pass=first, last_pass=last, began_at=60.0 * first, ended_at=60.0 * last)


def _at(number: int, value: float | None) -> PassPoint:
    return PassPoint(point_at(60.0 * number, value), number, number)


def _shape(points: list[Point]) -> list[tuple[float, float, float | None]]:
    return [(point.began_at / 60, point.ended_at / 60, point.last) for point in points]


def test_what_stands_still_while_watched_has_no_gap() -> None:
    assert _shape(with_gaps([_at(1, 5), _at(90, 6)], [_watch(1, 100)])) == [(1, 1, 5), (90, 90, 6)]


def test_a_break_is_a_gap_and_the_value_that_held_is_given_after_it() -> None:
    points = with_gaps([_at(1, 5)], [_watch(1, 10), _watch(20, 30)])
    assert _shape(points) == [(1, 1, 5), (10, 20, None), (20, 20, 5)]
    assert points[1].low is None


def test_a_value_that_was_read_right_after_a_break_is_given_once() -> None:
    points = with_gaps([_at(1, 5), _at(20, 7)], [_watch(1, 10), _watch(20, 30)])
    assert _shape(points) == [(1, 1, 5), (10, 20, None), (20, 20, 7)]


def test_breaks_before_the_first_point_are_none_of_its_series() -> None:
    assert _shape(with_gaps([_at(25, 5)], [_watch(1, 10), _watch(20, 30)])) == [(25, 25, 5)]


def test_what_was_not_known_before_a_break_is_not_made_known_by_it() -> None:
    assert _shape(with_gaps([_at(1, 5), _at(4, None)], [_watch(1, 10), _watch(20, 30)])) == [(1, 1, 5), (4, 4, None)]


def test_a_break_inside_a_folded_point_is_folded_too() -> None:
    folded = PassPoint(Point(began_at=60, ended_at=1500, low=1, high=9, last=9, samples=4), 1, 25)
    assert _shape(with_gaps([folded, _at(28, 11)], [_watch(1, 10), _watch(20, 30)])) == [(1, 25, 9), (28, 28, 11)]


def test_several_breaks_in_a_row_each_leave_a_gap() -> None:
    points = with_gaps([_at(1, 5)], [_watch(1, 2), _watch(4, 5), _watch(8, 9)])
    assert _shape(points) == [(1, 1, 5), (2, 4, None), (4, 4, 5), (5, 8, None), (8, 8, 5)]


def test_no_points_have_no_gaps() -> None:
    assert with_gaps([], [_watch(1, 2), _watch(4, 5)]) == []


def test_a_cut_begins_with_the_value_that_held() -> None:
    points = [point_at(0.0, 1), point_at(100.0, 2), point_at(200.0, 3)]
    assert [(point.began_at, point.last) for point in cut(points, since=150.0, until=None)] == [(150.0, 2), (200.0, 3)]
    assert [(point.began_at, point.last) for point in cut(points, since=None, until=100.0)] == [(0.0, 1), (100.0, 2)]
    assert cut(points, since=100.0, until=None) == tuple(points[1:])


def test_a_cut_in_a_gap_begins_with_nothing() -> None:
    points = [point_at(0.0, 1), point_at(100.0, None), point_at(200.0, 3)]
    assert [point.last for point in cut(points, since=150.0, until=None)] == [3]
