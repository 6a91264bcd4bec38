"""Which samples are worth writing, and when a series ends or begins again."""

from dataclasses import dataclass, field

import pytest

from laneproof.history import measures
from laneproof.history.live_series import HEARTBEAT_SECONDS, Key, LiveSeries, PassMark, ResumableSeries
from laneproof.history.measures import Measure, Pace, error_bit
from laneproof.history.origins import Origin
from laneproof.history.sample import Sample

HERE, THERE = Origin("0000:00/01.1", "FN0001", "drive"), Origin("0000:00/01.2", "FN0002", "drive")
EACH = Measure(name="trained_lanes", per_boot=True)
MINUTE = Measure(name="media_errors", is_counter=True, pace=Pace.MINUTE)
BOOT_COUNT = measures.CORRECTABLE
BIT = error_bit(BOOT_COUNT, "BadTLP")
STEADY = Measure(name="written_bytes", is_counter=True, per_boot=True, pace=Pace.STEADY)
HEAT = measures.COMPOSITE


@dataclass
class Rows:
    """A sink that remembers: rows as (pass, series, value)."""

    begun: list[tuple[str, int]] = field(default_factory=list)
    rows: list[tuple[int, int, float | None]] = field(default_factory=list)

    def begin_series(self, origin: Origin, measure: Measure, mark: PassMark) -> int:
        assert origin in (HERE, THERE)
        self.begun.append((measure.name, mark.id))
        return len(self.begun)

    def put(self, mark: PassMark, series: int, value: float | None) -> None:
        self.rows.append((mark.id, series, value))


class Course:
    """Passes of one group, 15 seconds apart as a rule."""

    def __init__(self, resumable: dict[Key, ResumableSeries] | None = None) -> None:
        self.sink = Rows()
        self.live = LiveSeries(self.sink, resumable)
        self.number, self.up = 0, 0.0

    def mark(self, seconds: float = 15.0) -> PassMark:
        self.number += 1
        self.up += seconds
        return PassMark(self.number, 1, 1_790_000_000.0 + self.up, self.up)

    def add(
        self, *samples: tuple[Measure, float], origin: Origin = HERE, urgent: bool = False, seconds: float = 15.0
    ) -> list[tuple[int, int, float | None]]:
        """Take one pass; gives the rows that it wrote."""
        self.sink.rows = []
        given = [Sample(origin, measure, value) for measure, value in samples]
        self.live.add("group", given, self.mark(seconds), urgent=urgent)
        return self.sink.rows


@pytest.fixture
def course() -> Course:
    return Course()


COURSES = {  # by what they show: the samples of each pass, and the rows that each pass writes
    "what stands still is written once": (
        [[(EACH, 4)], [(EACH, 4)], [(EACH, 2)], [(EACH, 4)]], [[(1, 1, 4)], [], [(3, 1, 2)], [(4, 1, 4)]]
    ),
    "a leap is written at once": ([[(HEAT, 40)], [(HEAT, 42.9)], [(HEAT, 43)]], [[(1, 1, 40)], [], [(3, 1, 43)]]),
    "what ends leaves its last value and a gap": (
        [[(STEADY, 100)], [(STEADY, 200)], [], []], [[(1, 1, 100)], [], [(2, 1, 200), (3, 1, None)], []]
    ),
    "a series goes on after a gap": ([[(EACH, 4)], [], [(EACH, 4)]], [[(1, 1, 4)], [(2, 1, None)], [(3, 1, 4)]]),
    "a reading may fall": ([[(EACH, 4)], [(EACH, 1)]], [[(1, 1, 4)], [(2, 1, 1)]]),
    "a counter that fell is a new series": ([[(MINUTE, 7)], [(MINUTE, 2)]], [[(1, 1, 7)], [(2, 2, 2)]]),
    "and was 0 in between if it is the kernel's": (
        [[(BOOT_COUNT, 7)], [(BOOT_COUNT, 2)]], [[(1, 1, 7)], [(1, 2, 0), (2, 2, 2)]]
    ),
    "also behind a gap": ([[(MINUTE, 7)], [], [(MINUTE, 2)]], [[(1, 1, 7)], [(2, 1, None)], [(3, 2, 2)]]),
    "of two things under one name the first counts": ([[(EACH, 4), (EACH, 2)]], [[(1, 1, 4)]]),
}  # fmt: skip


@pytest.mark.parametrize(("passes", "rows"), COURSES.values(), ids=COURSES)
def test_a_course_of_samples_writes(
    course: Course, passes: list[list[tuple[Measure, float]]], rows: list[list[tuple[int, int, float | None]]]
) -> None:
    assert [course.add(*samples) for samples in passes] == rows


def test_the_first_move_after_a_rest_is_written_at_once_and_then_by_the_pace(course: Course) -> None:
    course.add((MINUTE, 0))
    for _ in range(10):
        course.add((MINUTE, 0))  # passes 2 to 11, up to second 165
    assert course.add((MINUTE, 1)) == [(12, 1, 1)]  # second 180, a minute of its own
    assert course.add((MINUTE, 2)) == []
    assert course.add((MINUTE, 3)) == []
    assert course.add((MINUTE, 4)) == []
    assert course.add((MINUTE, 5)) == [(16, 1, 5)]  # the next minute: all that was gained is in it


def test_busy_series_are_written_in_the_same_passes(course: Course) -> None:
    written = [course.add((STEADY, number), (HEAT, 40 + number / 10), seconds=60) for number in range(21)]
    busy = [number for number, rows in enumerate(written) if rows]
    assert busy == [0, 4, 9, 14, 19]  # each time that 300 s begin


def test_an_urgent_pass_writes_what_held_before_and_what_holds_now(course: Course) -> None:
    course.add((STEADY, 100))
    course.add((STEADY, 200))
    assert course.add((STEADY, 300), urgent=True) == [(2, 1, 200), (3, 1, 300)]
    assert course.add((STEADY, 300), urgent=True) == []


def test_what_waits_is_written_when_it_is_settled(course: Course) -> None:
    course.add((STEADY, 100))
    course.add((STEADY, 200))
    course.sink.rows = []
    course.live.settle("another group")
    assert course.sink.rows == []
    course.live.settle()
    assert course.sink.rows == [(2, 1, 200)]
    course.live.settle()
    assert course.sink.rows == [(2, 1, 200)]


def test_a_bit_that_is_sampled_for_the_first_time_was_0_in_the_pass_before(course: Course) -> None:
    course.add((BOOT_COUNT, 0))
    assert course.add((BOOT_COUNT, 3), (BIT, 3), seconds=60) == [(2, 1, 3), (1, 2, 0), (2, 2, 3)]
    assert course.sink.begun[-1] == (BIT.name, 1)


def test_a_bit_whose_class_was_not_counted_before_may_be_old(course: Course) -> None:
    course.add((EACH, 4))
    assert (2, 3, 3) in course.add((EACH, 4), (BOOT_COUNT, 3), (BIT, 3))
    assert not [row for row in course.sink.rows if row[0] == 1]


def test_a_bit_whose_class_fell_to_0_begins_again(course: Course) -> None:
    course.add((BOOT_COUNT, 3), (BIT, 3))
    rows = course.add((BOOT_COUNT, 0))
    assert (2, 2, None) in rows
    rows = course.add((BOOT_COUNT, 5), (BIT, 5), seconds=60)
    assert (2, 4, 0) in rows
    assert (3, 4, 5) in rows


def test_a_group_that_could_not_be_read_says_nothing_of_what_was_0(course: Course) -> None:
    course.add((BOOT_COUNT, 0))
    course.live.add("group", [], course.mark(), was_read=False)
    rows = course.add((BOOT_COUNT, 3), (BIT, 3))
    assert [row for row in rows if row[2] == 0] == []


def test_a_drive_in_another_position_is_another_series(course: Course) -> None:
    course.add((MINUTE, 7))
    assert sorted(course.add((MINUTE, 7), origin=THERE), key=str) == [(2, 1, None), (2, 2, 7)]


def test_a_new_boot_ends_what_counts_by_boots_and_nothing_else(course: Course) -> None:
    course.add((BOOT_COUNT, 7), (MINUTE, 5))
    course.live.end_boot()
    assert course.add((BOOT_COUNT, 9), (MINUTE, 5)) == [(2, 3, 9)]


def test_what_stands_still_for_a_month_is_written_again(course: Course) -> None:
    course.add((EACH, 4))
    assert course.add((EACH, 4), seconds=HEARTBEAT_SECONDS - 30) == []
    assert course.add((EACH, 4), seconds=30) == [(3, 1, 4)]


# --- an earlier run's series ------------------------------------------------------------------------------------------


def _earlier(value: float | None, *, in_gap: bool = False, per_boot: bool = False) -> dict[Key, ResumableSeries]:
    measure = EACH if per_boot else MINUTE
    return {(HERE, measure.name): ResumableSeries(40, value, in_gap, per_boot)}


@pytest.mark.parametrize(
    ("earlier", "values", "rows"),
    [
        (_earlier(7), (7, 8), [[], [(2, 40, 8)]]),  # it goes on
        (_earlier(7), (6,), [[(1, 1, 6)]]),  # a counter that fell while nobody watched begins a new one
        (_earlier(7, in_gap=True), (7,), [[(1, 40, 7)]]),
    ],
)
def test_an_earlier_runs_series_goes_on_or_begins_again(
    earlier: dict[Key, ResumableSeries], values: tuple[float, ...], rows: list[list[tuple[int, int, float | None]]]
) -> None:
    course = Course(earlier)
    assert [course.add((MINUTE, value), seconds=60) for value in values] == rows


def test_what_this_run_cannot_read_any_more_ends_in_a_gap_once() -> None:
    course = Course(_earlier(7))
    course.add((EACH, 4))
    course.sink.rows = []
    mark = PassMark(1, 1, 0.0, 0.0)
    course.live.end_unseen(mark)
    course.live.end_unseen(mark)
    assert course.sink.rows == [(1, 40, None)]
    assert course.add((EACH, 4), (MINUTE, 7)) == [(2, 40, 7)]


def test_what_this_run_read_does_not_end() -> None:
    course = Course(_earlier(7))
    course.add((MINUTE, 7))
    course.live.end_unseen(PassMark(1, 1, 0.0, 0.0))
    assert course.sink.rows == []


def test_an_earlier_boots_series_do_not_go_on() -> None:
    course = Course(_earlier(4, per_boot=True))
    course.live.end_boot()
    assert course.add((EACH, 4)) == [(1, 1, 4)]
