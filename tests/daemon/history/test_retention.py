"""Folding and dropping: against the pure folding, with a year's worth of odd clocks."""

import sqlite3
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import groupby
from operator import itemgetter

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from boxes.passes import Passes, events_of
from laneproof.history import measures, retention
from laneproof.history.batch import Batch
from laneproof.history.events import Event
from laneproof.history.live_series import PassMark
from laneproof.history.origins import Origin
from laneproof.history.retention import (
    DAY,
    HOUR,
    KEEP_DAYS_SECONDS,
    KEEP_EVENTS_OF_A_KIND,
    KEEP_HOURS_SECONDS,
    KEEP_SAMPLES_SECONDS,
    drop_to_size,
    tidy,
    used_bytes,
)
from laneproof.history.series import Point, point_at
from laneproof.history.series_queries import read_series
from laneproof.history.store import Store
from laneproof.history.tables import migrate

HERE, THERE = Origin("0000:00/01.1", "FN0001", "drive"), Origin("0000:00/01.2", "FN0002", "drive")
COUNTER = next(measure for measure in measures.HEALTH_FIELDS if measure.name == "media_errors")
READING = measures.COMPOSITE
MORNING = 20_000 * DAY


@dataclass
class Course:
    """A database that is filled by hand: two series, of a counter and of a reading."""

    connection: sqlite3.Connection
    marks: list[PassMark]
    points: dict[str, list[Point]]

    def read(self, name: str) -> list[Point]:
        (series,) = read_series(self.connection, names=(name,))
        return list(series.points)


def _fill(course: Sequence[tuple[float, int, float | None]], *, boots: frozenset[int] = frozenset()) -> Course:
    """Fill a database with passes.

    Args:
        course: Seconds since the pass before, what the counter gained, and the reading, None for a gap.
        boots: Numbers of passes at which a boot began.
    """
    connection = sqlite3.connect(":memory:", isolation_level=None)
    migrate(connection)
    batch, t, boot, count = Batch(connection), MORNING, 1, 100
    marks = []
    points: dict[str, list[Point]] = {COUNTER.name: [], READING.name: []}
    numbers: dict[str, int] = {}
    for number, (seconds, gain, value) in enumerate(course, start=1):
        t, count, boot = t + seconds, count + gain, boot + (number in boots)
        mark = PassMark(number, boot, t, t - MORNING)
        marks.append(mark)
        if not numbers:
            numbers = {
                COUNTER.name: batch.begin_series(HERE, COUNTER, mark),
                READING.name: batch.begin_series(HERE, READING, mark),
            }
        for name, figure in ((COUNTER.name, count), (READING.name, value)):
            batch.put(mark, numbers[name], figure)
            points[name].append(point_at(t, figure))
    batch.write(connection)
    # One watch over all of it, so that no gap is put in.
    connection.execute("INSERT INTO watches VALUES (1, ?, 1, ?, ?, ?, ?)", (boot, len(course), MORNING, t, t - MORNING))
    return Course(connection, marks, points)


def fold(points: Sequence[Point]) -> Point:
    """Make one point of several that follow each other: the least, the most, and what it ended with."""
    low = min((point.low for point in points if point.low is not None), default=None)
    high = max((point.high for point in points if point.high is not None), default=None)
    samples = sum(point.samples for point in points)
    return Point(points[0].began_at, points[-1].ended_at, low, high, points[-1].last, samples)


def gained(points: Iterable[Point]) -> float:
    """Give how much a counter grew from the first of its points to the last; gaps are passed over."""
    known = [(point.low, point.high) for point in points if point.low is not None and point.high is not None]
    return known[-1][1] - known[0][0]


def _runs(course: Course, name: str) -> list[list[Point]]:
    """Split a series by boot and hour, in the order of its passes."""
    keys = [(mark.boot, int(mark.t / HOUR)) for mark in course.marks]
    runs = groupby(zip(keys, course.points[name], strict=True), key=itemgetter(0))
    return [[point for _, point in run] for _, run in runs]


def _by_hour(course: Course, name: str) -> list[Point]:
    """Fold by hand; the last hour is not over."""
    *over, last = _runs(course, name)
    return [*map(fold, over), *last]


def _by_day(course: Course, name: str) -> list[Point]:
    """Fold by hand, the hours into days; the last day is not over."""
    boots = [next(mark.boot for mark in course.marks if mark.t == run[0].began_at) for run in _runs(course, name)]
    *over, last = _runs(course, name)
    hours = [((boot, int(run[0].began_at / DAY)), fold(run)) for boot, run in zip(boots, over, strict=False)]
    days = [[point for _, point in group] for _, group in groupby(hours, key=itemgetter(0))]
    return [*map(fold, days[:-1]), *(days[-1] if days else []), *last]


def _bare(points: list[Point]) -> list[Point]:
    """Of a counter: what it came to. Its least value in a stretch is what it came with."""
    return [point._replace(low=None) for point in points]


STEPS = st.lists(
    st.tuples(st.sampled_from([60.0, 901.0, 3600.0, 40_003.0]), st.integers(0, 3), st.none() | st.integers(20, 90)),
    min_size=2,
    max_size=50,
)


@settings(max_examples=80)
@given(STEPS, st.frozensets(st.integers(2, 50), max_size=3), st.sampled_from(["hours", "days"]))
def test_folding_in_the_database_is_the_pure_folding(
    steps: list[tuple[float, int, float | None]], boots: frozenset[int], grain: str
) -> None:
    course = _fill(steps, boots=boots)
    now = course.marks[-1].t + (KEEP_SAMPLES_SECONDS if grain == "hours" else KEEP_HOURS_SECONDS) + 30 * DAY
    with pytest.MonkeyPatch.context() as patch:
        if grain == "hours":
            patch.setattr(retention, "KEEP_HOURS_SECONDS", 1000 * DAY)
        tidy(course.connection, now=now, most=1000)
    expect = _by_hour if grain == "hours" else _by_day
    reading, counter = course.read(READING.name), course.read(COUNTER.name)
    assert reading == expect(course, READING.name)
    assert _bare(counter) == _bare(expect(course, COUNTER.name))
    assert gained(counter) == gained(course.points[COUNTER.name]) == sum(gain for _, gain, _ in steps[1:])
    for boot, first, last in course.connection.execute("SELECT boot, first_pass, last_pass FROM buckets"):
        assert {mark.boot for mark in course.marks[first - 1 : last]} == {boot}
    for point in (*reading, *counter):
        if point.low is not None and point.high is not None and point.last is not None:
            assert point.low <= point.last <= point.high


@settings(max_examples=40)
@given(
    st.lists(
        st.tuples(st.sampled_from([60.0, 3601.0, -50_000.0, 400_000.0]), st.integers(0, 3), st.just(50)),
        min_size=2,
        max_size=40,
    )
)
def test_odd_clocks_change_no_order_and_no_sum(steps: list[tuple[float, int, float | None]]) -> None:
    course = _fill(steps)
    for days in range(1, 60, 7):
        tidy(course.connection, now=MORNING + days * DAY, most=1000)
    counter = course.read(COUNTER.name)
    assert gained(counter) == sum(gain for _, gain, _ in steps[1:])
    lasts = [point.last for point in counter if point.last is not None]
    assert lasts == sorted(lasts)


def test_samples_stay_as_they_are_for_three_days_and_hours_for_four_weeks() -> None:
    course = _fill([(1800.0, 1, 50)] * (2 * 24 * 40))
    now = course.marks[-1].t
    tidy(course.connection, now=now, most=10_000)
    asked = "SELECT count(*), min({}), max({}) FROM {}"
    count, first, _ = course.connection.execute(asked.format("t", "t", "passes")).fetchone()
    assert count == pytest.approx(3 * 24 * 2, abs=3)
    assert now - first == pytest.approx(3 * DAY, abs=HOUR)
    levels = dict(course.connection.execute("SELECT level, count(*) FROM buckets GROUP BY level"))
    assert levels == {1: pytest.approx(25 * 24, abs=25), 2: pytest.approx(12, abs=1)}
    assert gained(course.read(COUNTER.name)) == len(course.marks) - 1


def test_what_is_over_is_folded_a_little_at_a_time() -> None:
    course = _fill([(3600.0, 1, 50)] * 24 * 5)
    now = course.marks[-1].t + 10 * DAY
    assert tidy(course.connection, now=now, most=2) == 2
    assert course.connection.execute("SELECT count(*) FROM hours").fetchone() == (4,)


def test_eight_bytes_are_not_spent_on_what_is_known() -> None:
    course = _fill([(900.0, 1, 50)] * 48)
    tidy(course.connection, now=course.marks[-1].t + 4 * DAY, most=1000)
    rows = course.connection.execute(
        "SELECT f.low IS NULL, f.high IS NULL, m.name FROM hours f JOIN series s ON s.id = f.series"
        " JOIN measures m ON m.id = s.measure ORDER BY f.bucket"
    ).fetchall()
    counters = [(low, high) for low, high, name in rows if name == COUNTER.name]
    # In the first hour the counter began, so what it began with is kept there.
    assert counters[0] == (0, 1)
    assert set(counters[1:]) == {(1, 1)}
    assert {(low, high) for low, high, name in rows if name == READING.name} == {(1, 1)}


def test_days_are_dropped_after_three_years_and_what_hung_on_them() -> None:
    steps = [(6 * HOUR, 1, 50)] * (4 * 1200)
    course = _fill(steps, boots=frozenset({100}))
    course.connection.execute("INSERT INTO boots VALUES (1, 'a', 0, 1, 0, '', '', ''), (2, 'b', 0, 100, 0, '', '', '')")
    course.connection.execute("DELETE FROM watches")
    course.connection.execute("INSERT INTO watches VALUES (1, 1, 1, 99, 0, 0, 0), (2, 2, 100, 4800, 0, 0, 0)")
    course.connection.execute("INSERT INTO series (id, boot, place, measure, first_pass) VALUES (90, 1, 1, 1, 1)")
    now = course.marks[-1].t
    tidy(course.connection, now=now, most=10_000)
    (oldest,) = course.connection.execute("SELECT min(ended_at) FROM buckets").fetchone()
    assert now - KEEP_DAYS_SECONDS <= oldest <= now - KEEP_DAYS_SECONDS + DAY
    assert course.connection.execute("SELECT boot_id FROM boots").fetchall() == [("b",)]
    assert course.connection.execute("SELECT count(*) FROM watches").fetchone() == (1,)
    assert course.connection.execute("SELECT count(*) FROM series WHERE id = 90").fetchone() == (0,)


# --- what is not sampled ----------------------------------------------------------------------------------------------


def test_a_chatty_kind_of_event_does_not_push_out_another() -> None:
    store, passes = Store.open(":memory:"), Passes()
    store.add_events([Event(t=passes.t, kind="device_removed", text="gone")])
    store.add_events(
        Event(t=passes.t + number, kind="aer_correctable", text=str(number))
        for number in range(KEEP_EVENTS_OF_A_KIND + 50)
    )
    store.add_pass(passes.take())
    kinds = [event.kind for event in store.read_events()]
    assert kinds.count("device_removed") == 1
    assert kinds.count("aer_correctable") == KEEP_EVENTS_OF_A_KIND
    assert events_of(store, "aer_correctable")[-1].text == str(KEEP_EVENTS_OF_A_KIND + 49)


# --- a limit of size --------------------------------------------------------------------------------------------------


def _fill_days(days: int) -> sqlite3.Connection:
    """Fill a database with days, events, findings and notes; one reading moved on the first day only."""
    course = _fill([(HOUR, 1, 35.0 if number < 24 else None) for number in range(24 * days)])
    connection = course.connection
    for number in range(400):
        t, text = MORNING + number * DAY, "x" * 400
        connection.execute("INSERT INTO events VALUES (NULL, ?, ?, 0, 1, 'note', '', '', '', ?, 1, NULL)", (t, t, text))
        connection.execute(
            "INSERT INTO findings VALUES (NULL, 'link-slow', ?, ?, ?, ?)",
            (str(number), t, None if number % 10 == 0 else t, text),
        )
        connection.execute("INSERT INTO changes VALUES (NULL, ?, ?, 1, 'raised', ?)", (number + 1, t, text))
        connection.execute("INSERT INTO notes VALUES (NULL, ?, 'note', '', '', ?, NULL)", (t, text))
        connection.execute("INSERT INTO inventories VALUES (NULL, ?, 1, ?)", (t, text))
    connection.execute("INSERT INTO state VALUES ('engine', x'00')")
    tidy(connection, now=course.marks[-1].t, most=10_000)
    return connection


def _list(connection: sqlite3.Connection, table: str, where: str = "TRUE") -> list[int]:
    return [number for (number,) in connection.execute(f"SELECT id FROM {table} WHERE {where} ORDER BY id")]  # noqa: S608 (our names)


SIZED = (("buckets", "level = 2"), ("buckets", "level = 1"), ("passes", "TRUE"), ("events", "TRUE"),
         ("findings", "cleared_at IS NOT NULL"), ("inventories", "TRUE"))  # fmt: skip


def test_what_was_dropped_takes_no_room() -> None:
    connection = _fill_days(2)
    before = used_bytes(connection)
    connection.execute("DELETE FROM inventories")  # 400 rows of 400 bytes
    assert before - used_bytes(connection) == pytest.approx(400 * 400, rel=0.2)


def test_of_each_table_the_latest_are_kept(monkeypatch: pytest.MonkeyPatch) -> None:
    connection = _fill_days(40)
    standing = _list(connection, "findings", "cleared_at IS NULL")
    latest = {"changes": 3, "inventories": 4, "notes": 5, "cleared_findings": 6}
    for name, most in latest.items():
        monkeypatch.setattr(retention, f"KEEP_{name.upper()}", most)
    monkeypatch.setattr(retention, "MOST_DAYS", 2)
    tidy(connection, now=MORNING + 40 * DAY)
    assert [_list(connection, table) for table in ("changes", "inventories", "notes")] == [
        [398, 399, 400], [397, 398, 399, 400], [396, 397, 398, 399, 400],
    ]  # fmt: skip
    assert _list(connection, "findings", "cleared_at IS NOT NULL") == [395, 396, 397, 398, 399, 400]
    assert _list(connection, "findings", "cleared_at IS NULL") == standing
    assert len(_list(connection, "buckets", "level = 2")) == 2


def test_above_its_size_the_oldest_goes_first_samples_before_events_and_never_what_stands() -> None:
    connection = _fill_days(200)
    before = {table: _list(connection, *table) for table in SIZED}
    standing, notes = _list(connection, "findings", "cleared_at IS NULL"), _list(connection, "notes")
    assert all(before.values())
    while drop_to_size(connection, most_bytes=(size := used_bytes(connection) - 4096)):
        rest = {table: _list(connection, *table) for table in SIZED}
        assert used_bytes(connection) <= size or all(len(kept) <= 1 for kept in rest.values())
        assert all(kept == before[table][len(before[table]) - len(kept) :] for table, kept in rest.items())
        shortened = [rest[table] != before[table] for table in SIZED]
        assert shortened == sorted(shortened, reverse=True)  # none before all ahead of it in this list
        assert _list(connection, "findings", "cleared_at IS NULL") == standing
        assert _list(connection, "notes") == notes
        assert connection.execute("SELECT name FROM state").fetchall() == [("engine",)]
    assert all(len(_list(connection, *table)) <= 1 for table in SIZED)
    assert _list(connection, "changes", "finding NOT IN (SELECT id FROM findings)") == []


def test_what_did_not_move_since_a_day_that_goes_holds_on() -> None:
    connection = _fill_days(60)
    before = [series.points[-1].last for series in read_series(connection)]
    while len(_list(connection, "buckets", "level = 2")) > 1:
        drop_to_size(connection, most_bytes=used_bytes(connection) - 4096)
    assert [series.points[-1].last for series in read_series(connection)] == before
