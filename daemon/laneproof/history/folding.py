"""Down-sampling: many points of one series become one, and nothing that was counted is lost.

Rules of this module: a point says what a series did between two times: the least, the most, the last, and how many
moves it made. Folding keeps ``low <= last <= high``, and what a counter gained over a whole series stays to the unit,
whatever is folded together. A gap is a point without values; a point that ends in a gap has no last value.
"""

from collections.abc import Iterable, Sequence
from typing import NamedTuple

from laneproof.history.sample import Value


class Point(NamedTuple):  # a year's trend makes thousands of them, and a tuple is made in a third of the time
    """What one series did in one stretch of time.

    Attributes:
        began_at: Its first moment, unix seconds.
        ended_at: Its last moment; the same for a single sample.
        low: The least value; None: nothing was read.
        high: The most.
        last: The value it ended with, which holds until the next point; None: it could not be read any more.
        samples: How many samples it stands for: moves, since what stands still is not written.
    """

    began_at: float
    ended_at: float
    low: Value | None
    high: Value | None
    last: Value | None
    samples: int = 1


def point_at(t: float, value: Value | None) -> Point:
    """Make the point of one sample; None says that from here on nothing could be read."""
    return Point(t, t, value, value, value, 0 if value is None else 1)


def gap(began_at: float, ended_at: float) -> Point:
    """Make a stretch in which nothing was read."""
    return Point(began_at=began_at, ended_at=ended_at, low=None, high=None, last=None, samples=0)


def fold(points: Sequence[Point]) -> Point:
    """Make one point of several that follow each other.

    Args:
        points: At least one, in their order.
    """
    lows = [point.low for point in points if point.low is not None]
    highs = [point.high for point in points if point.high is not None]
    return Point(
        began_at=points[0].began_at,
        ended_at=points[-1].ended_at,
        low=min(lows, default=None),
        high=max(highs, default=None),
        last=points[-1].last,
        samples=sum(point.samples for point in points),
    )


def gained(points: Iterable[Point]) -> Value:
    """Give how much a counter grew from the first of its points to the last.

    Args:
        points: Points of one counter's series, in their order; gaps are passed over, and what was counted in them
            belongs to what came after.
    """
    known = [(point.low, point.high) for point in points if point.low is not None and point.high is not None]
    return known[-1][1] - known[0][0] if known else 0
