"""Series as they are read: points with the gaps in them. Pure.

Rules of this module: a value holds until the next point, for what did not move was not written; but only as long as
somebody watched. Where nobody did, there is a gap, never a 0 and never a straight line: a point without values.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import NamedTuple

from laneproof.history.sample import Value


class Point(NamedTuple):  # a year's trend makes thousands of them, and a tuple is made in a third of the time
    """What one series did in one stretch of time: ``low <= last <= high``, as far as they are known."""

    began_at: float  # its first moment, unix seconds
    ended_at: float  # its last moment; the same for a single sample
    low: Value | None  # the least value; None: nothing was read
    high: Value | None
    last: Value | None  # the value it ended with, which holds until the next point; None: it could not be read any more
    samples: int  # how many samples it stands for: moves, since what stands still is not written


def point_at(t: float, value: Value | None) -> Point:
    """Make the point of one sample; None says that from here on nothing could be read."""
    return Point(t, t, value, value, value, 0 if value is None else 1)


@dataclass(frozen=True, slots=True, kw_only=True)
class Watch:
    """One stretch in which the daemon read the machine without a break."""

    boot: int  # the boot it was in, by its number in the database
    first_pass: int
    last_pass: int
    began_at: float  # when, unix seconds
    ended_at: float  # when it last read


class PassPoint(NamedTuple):
    """A point, and the passes that it stands for."""

    point: Point
    first_pass: int
    last_pass: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Series:
    """The readings of one measure of one thing over time."""

    path: str  # the position's path, or the name of the thing
    drive: str  # the serial number of the drive, empty where there is none
    end: str  # who reported: ``port``, ``device``, ``drive`` or the name of a part
    name: str
    is_counter: bool
    boot_id: str | None  # the boot that it belongs to; None for what goes on over boots
    points: tuple[Point, ...]  # in their order, gaps included; one at least
    known_until: float  # until when its last value is known to have held

    @property
    def last(self) -> Value | None:
        """The last value; None where it could not be read any more."""
        return self.points[-1].last


def with_gaps(placed: Sequence[PassPoint], watches: Sequence[Watch]) -> list[Point]:
    """Put a gap wherever nobody watched, points and watches being each in their order.

    After it the value that still held is given again: it was read and had not moved.
    """
    if not placed:
        return []
    breaks = _breaks(watches, placed[0].last_pass)
    after = next(breaks, None)
    if after is None:
        return [entry.point for entry in placed]
    points: list[Point] = []
    for entry in placed:
        while after is not None and after[1].first_pass <= entry.first_pass:
            points += _across(points, *after, is_repeated=after[1].first_pass < entry.first_pass)
            after = next(breaks, None)
        while after is not None and after[0].last_pass < entry.last_pass:  # a break inside a folded point
            after = next(breaks, None)
        points.append(entry.point)
    while after is not None:
        points += _across(points, *after, is_repeated=True)
        after = next(breaks, None)
    return points


def _breaks(watches: Sequence[Watch], first_pass: int) -> Iterator[tuple[Watch, Watch]]:
    for before, after in pairwise(watches):
        if before.last_pass >= first_pass:
            yield before, after


def _across(points: Sequence[Point], before: Watch, after: Watch, *, is_repeated: bool) -> Iterator[Point]:
    last = points[-1]
    if last.last is None:
        return  # it was not known before the break, and so there is nothing to break off
    yield Point(max(last.ended_at, before.ended_at), after.began_at, low=None, high=None, last=None, samples=0)
    if is_repeated:
        yield point_at(after.began_at, last.last)._replace(samples=0)


def cut(points: Sequence[Point], *, since: float | None, until: float | None) -> tuple[Point, ...]:
    """Take the part of the points between two times; the value that held at its beginning is given there."""
    kept: list[Point] = []
    carried: Point | None = None
    for point in points:
        if until is not None and point.began_at > until:
            continue
        if since is not None and point.ended_at < since:
            carried = point
            continue
        kept.append(point)
    is_covered = since is None or (kept and kept[0].began_at <= since)
    if since is not None and not is_covered and carried is not None and carried.last is not None:
        kept.insert(0, point_at(since, carried.last)._replace(samples=0))
    return tuple(kept)
