"""Series with the gaps where nobody watched."""

import pytest

from laneproof.history.series import PassPoint, Point, Watch, cut, point_at, with_gaps

BOOT = 1


def _watch(first: int, last: int) -> Watch:
    """A watch whose passes are a minute apart."""
    return Watch(boot=BOOT, first_pass=first, last_pass=last, began_at=60.0 * first, ended_at=60.0 * last)


def _at(number: int, value: float | None) -> PassPoint:
    return PassPoint(point_at(60.0 * number, value), number, number)


def _shape(points: list[Point]) -> list[tuple[float, float, float | None]]:
    return [(point.began_at / 60, point.ended_at / 60, point.last) for point in points]


FOLDED = PassPoint(Point(began_at=60, ended_at=1500, low=1, high=9, last=9, samples=4), 1, 25)
TWICE = [_watch(1, 10), _watch(20, 30)]


@pytest.mark.parametrize(
    ("placed", "watches", "shape"),
    [
        ([_at(1, 5), _at(90, 6)], [_watch(1, 100)], [(1, 1, 5), (90, 90, 6)]),
        ([_at(1, 5)], TWICE, [(1, 1, 5), (10, 20, None), (20, 20, 5)]),  # what held is given after the gap
        ([_at(1, 5), _at(20, 7)], TWICE, [(1, 1, 5), (10, 20, None), (20, 20, 7)]),  # once, where it was read just then
        ([_at(25, 5)], TWICE, [(25, 25, 5)]),  # breaks before the first point are none of its series
        ([_at(1, 5), _at(4, None)], TWICE, [(1, 1, 5), (4, 4, None)]),  # no break makes known what was not
        ([FOLDED, _at(28, 11)], TWICE, [(1, 25, 9), (28, 28, 11)]),  # a break inside a folded point is folded too
        (
            [_at(1, 5)], [_watch(1, 2), _watch(4, 5), _watch(8, 9)],
            [(1, 1, 5), (2, 4, None), (4, 4, 5), (5, 8, None), (8, 8, 5)],
        ),
        ([], TWICE, []),
    ],
)  # fmt: skip
def test_a_gap_is_wherever_nobody_watched(
    placed: list[PassPoint], watches: list[Watch], shape: list[tuple[float, float, float | None]]
) -> None:
    points = with_gaps(placed, watches)
    assert _shape(points) == shape
    assert all((point.low is None) is (point.last is None) for point in points)
    assert sum(point.samples for point in points) == sum(entry.point.samples for entry in placed)


def test_a_cut_begins_with_the_value_that_held() -> None:
    points = [point_at(0.0, 1), point_at(100.0, 2), point_at(200.0, 3)]
    assert [(point.began_at, point.last) for point in cut(points, since=150.0, until=None)] == [(150.0, 2), (200.0, 3)]
    assert [(point.began_at, point.last) for point in cut(points, since=None, until=100.0)] == [(0.0, 1), (100.0, 2)]
    assert cut(points, since=100.0, until=None) == tuple(points[1:])


def test_a_cut_in_a_gap_begins_with_nothing() -> None:
    points = [point_at(0.0, 1), point_at(100.0, None), point_at(200.0, 3)]
    assert [point.last for point in cut(points, since=150.0, until=None)] == [3]
