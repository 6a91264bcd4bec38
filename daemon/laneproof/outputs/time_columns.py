"""Series put into columns of equal time, for charts. Pure.

Rules of this module: a column says what a series did in its time: the least, the most, and how much a counter gained;
a column in which nothing was read is None, never 0. Columns begin at whole hours and days in UTC.
"""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import NamedTuple

from laneproof.history.retention import DAY, HOUR, KEEP_HOURS_SECONDS, KEEP_SAMPLES_SECONDS
from laneproof.history.sample import Value
from laneproof.history.series import Series

_MINUTE = 60.0
STEPS = tuple(
    number * unit
    for unit, numbers in (
        (_MINUTE, (1, 2, 5, 10, 15, 30)),
        (HOUR, (1, 2, 3, 6, 12)),
        (DAY, (1, 2, 3, 4, 5, 7, 10, 14, 28, 91, 364)),
    )
    for number in numbers
)
"""How long a column may be, in seconds: lengths that a person counts in."""


class Column(NamedTuple):
    """What a series did in one column's time."""

    low: Value
    high: Value
    gained: Value = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Grid:
    """Columns of equal time, in unix seconds; `until` is when the last one's time is over."""

    begins: float
    step: float
    count: int
    until: float

    def column_of(self, t: float) -> int | None:
        """Give the column that a time lies in; None where it lies in none."""
        column = int((t - self.begins) // self.step)
        return column if 0 <= column < self.count and t <= self.until else None

    def columns_between(self, begin: float, end: float) -> range:
        """Give the columns that a stretch of time touches."""
        if end < self.begins or begin > self.until:
            return range(0)
        first = max(0, int((begin - self.begins) // self.step))
        # A stretch that ends where a column begins does not touch it, unless it is that moment only.
        beyond = math.ceil((min(end, self.until) - self.begins) / self.step)
        last = min(self.count - 1, max(first, beyond - 1))
        return range(first, last + 1)


def choose_grid(since: float, until: float, most: int, *, now: float | None = None) -> Grid:
    """Choose at most so many columns from `since`, or somewhat earlier, to `until`, unix seconds.

    What lies far back from `now`, which is `until` where it is None, is only known by the hour or the day.
    """
    age = (until if now is None else now) - since
    finest = DAY if age > KEEP_HOURS_SECONDS else HOUR if age > KEEP_SAMPLES_SECONDS else _MINUTE
    for step in STEPS:
        begins = math.floor(since / step) * step
        count = max(1, math.ceil((until - begins) / step))
        if step >= finest and count <= most:
            return Grid(begins=begins, step=step, count=count, until=until)
    step = max(finest, (until - since) / most)
    return Grid(begins=since, step=step, count=most, until=until)


def fill_columns(chain: Iterable[Series], grid: Grid) -> tuple[Column | None, ...]:
    """Put series of one counter or reading, one for each time that the counter began again, into columns."""
    cells: list[Column | None] = [None] * grid.count
    for series in chain:
        _fill(series, grid, cells)
    return tuple(cells)


def _fill(series: Series, grid: Grid, cells: list[Column | None]) -> None:
    known: Value | None = None
    for number, point in enumerate(series.points):
        if point.low is not None and point.high is not None:
            for column in grid.columns_between(point.began_at, point.ended_at):
                _cover(cells, column, point.low, point.high)
            if series.is_counter:
                # A counter that fell would have begun a new series, so the most is what it came to.
                _gain(cells, grid.column_of(point.ended_at), point.high - (point.low if known is None else known))
            known = point.high
        if point.last is not None:
            is_end = number + 1 == len(series.points)
            until = series.known_until if is_end else series.points[number + 1].began_at
            for column in grid.columns_between(point.ended_at, until):
                _cover(cells, column, point.last, point.last)


def _cover(cells: list[Column | None], column: int, low: Value, high: Value) -> None:
    before = cells[column]
    if before is None:
        cells[column] = Column(low, high)
    elif low < before.low or high > before.high:
        cells[column] = Column(min(low, before.low), max(high, before.high), before.gained)


def _gain(cells: list[Column | None], column: int | None, gained: Value) -> None:
    if column is not None and gained > 0 and (before := cells[column]) is not None:
        cells[column] = before._replace(gained=before.gained + gained)


def count_times(times: Iterable[tuple[float, int]], grid: Grid, known: Sequence[bool]) -> tuple[Column | None, ...]:
    """Count how often something happened in each column; where nobody watched (`known`), nothing is no 0."""
    counts = [0] * grid.count
    for t, number in times:
        if (column := grid.column_of(t)) is not None:
            counts[column] += number
    return tuple(
        Column(0, count, count) if count or is_known else None for count, is_known in zip(counts, known, strict=True)
    )
