"""Down-sampling keeps what counts: bounds, the last value, and what a counter gained."""

from itertools import accumulate

from hypothesis import given
from hypothesis import strategies as st

from laneproof.history.folding import Point, fold, gained, gap, point_at

VALUES = st.integers(-(10**9), 10**9) | st.floats(-1e6, 1e6, allow_nan=False)


def _points(values: list[float | None]) -> list[Point]:
    return [point_at(60.0 * number, value) for number, value in enumerate(values)]


@st.composite
def _folded(draw: st.DrawFn, points: list[Point]) -> list[Point]:
    """Fold a run of points in stretches of any lengths."""
    folded = []
    while points:
        length = draw(st.integers(1, len(points)))
        folded.append(fold(points[:length]))
        points = points[length:]
    return folded


@given(st.lists(VALUES | st.none(), min_size=1, max_size=60))
def test_last_lies_between_low_and_high(values: list[float | None]) -> None:
    point = fold(_points(values))
    known = [one for one in values if one is not None]
    if not known:
        assert point.low is None
        return
    assert (point.low, point.high) == (min(known), max(known))
    assert point.last == values[-1]
    assert point.samples == len(known)
    if point.last is not None and point.low is not None and point.high is not None:
        assert point.low <= point.last <= point.high


@given(st.data(), st.lists(st.integers(0, 10**6), min_size=1, max_size=80), st.integers(0, 2**60))
def test_what_a_counter_gained_stays_to_the_unit(data: st.DataObject, steps: list[int], start: int) -> None:
    values = list(accumulate(steps, initial=start))
    once = data.draw(_folded(_points(list(values))))
    twice = data.draw(_folded(once))
    assert gained(_points(list(values))) == gained(once) == gained(twice) == sum(steps)


@given(st.data(), st.lists(st.integers(0, 9) | st.none(), min_size=1, max_size=60))
def test_folding_twice_is_folding_once(data: st.DataObject, values: list[float | None]) -> None:
    points = _points(values)
    assert fold(data.draw(_folded(points))) == fold(points)


def test_a_gap_holds_nothing_and_ends_nothing() -> None:
    assert gap(0.0, 60.0).low is None
    assert fold([point_at(0.0, 5), gap(0.0, 60.0)]) == Point(
        began_at=0.0, ended_at=60.0, low=5, high=5, last=None, samples=1
    )
    assert gained([point_at(0.0, 5), gap(0.0, 60.0), point_at(60.0, 9)]) == 4


def test_no_points_gained_nothing() -> None:
    assert gained([]) == 0
    assert gained([gap(0.0, 1.0)]) == 0
