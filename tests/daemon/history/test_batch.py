"""Rows that wait, and the numbers they are given."""

import sqlite3

import pytest

from laneproof.history import measures
from laneproof.history.batch import Batch, highest_pass, load_ended
from laneproof.history.live_series import PassMark, ResumableSeries
from laneproof.history.origins import Origin
from laneproof.history.tables import migrate

HERE = Origin("0000:00/01.1", "FN0001", "drive")
MEDIA = next(measure for measure in measures.HEALTH_FIELDS if measure.name == "media_errors")


@pytest.fixture
def connection() -> sqlite3.Connection:
    empty = sqlite3.connect(":memory:", isolation_level=None)
    migrate(empty)
    return empty


@pytest.fixture
def batch(connection: sqlite3.Connection) -> Batch:
    return Batch(connection)


def _mark(number: int, boot: int = 1) -> PassMark:
    return PassMark(number, boot, 60.0 * number, 60.0 * number)


def test_numbers_go_on_where_the_database_stands(connection: sqlite3.Connection, batch: Batch) -> None:
    assert [batch.next_number("events"), batch.next_number("events"), batch.next_number("notes")] == [1, 2, 1]
    batch.add("INSERT INTO notes VALUES (?, 0, 'note', '', '', '', NULL)", (41,))
    batch.write(connection)
    assert Batch(connection).next_number("notes") == 42


def test_a_position_and_a_measure_are_written_once_also_over_runs(connection: sqlite3.Connection) -> None:
    for number in (1, 2):
        batch = Batch(connection)
        batch.begin_series(HERE, MEDIA, _mark(number))
        batch.write(connection)
    assert connection.execute("SELECT path, drive, end FROM places").fetchall() == [tuple(HERE)]
    assert connection.execute("SELECT name, is_counter FROM measures").fetchall() == [("media_errors", 1)]
    assert connection.execute("SELECT id, boot FROM series").fetchall() == [(1, None), (2, None)]


def test_what_counts_by_boots_belongs_to_one(connection: sqlite3.Connection, batch: Batch) -> None:
    batch.begin_series(HERE, measures.CORRECTABLE, _mark(1, boot=7))
    batch.write(connection)
    assert connection.execute("SELECT boot FROM series").fetchall() == [(7,)]


def test_a_pass_is_written_once_with_all_its_samples(connection: sqlite3.Connection, batch: Batch) -> None:
    batch.put(_mark(1), 1, 5)
    batch.put(_mark(1), 2, None)
    assert not batch.is_empty
    batch.write(connection)
    batch.clear()
    assert batch.is_empty
    batch.put(_mark(1), 3, 7)  # a value of that pass that was not worth writing then
    batch.write(connection)
    assert connection.execute("SELECT id, t FROM passes").fetchall() == [(1, 60.0)]
    assert connection.execute("SELECT * FROM samples").fetchall() == [(1, 1, 5), (1, 2, None), (1, 3, 7)]


def test_statements_are_done_in_their_order(connection: sqlite3.Connection, batch: Batch) -> None:
    batch.add("INSERT INTO state VALUES ('a', ?)", (b"1",))
    batch.add("UPDATE state SET content = ? WHERE name = 'a'", (b"2",))
    batch.write(connection)
    assert connection.execute("SELECT content FROM state").fetchall() == [(b"2",)]


def test_the_highest_pass_is_known_when_its_samples_are_gone(connection: sqlite3.Connection) -> None:
    assert highest_pass(connection) == 0
    connection.execute("INSERT INTO passes VALUES (5, 1, 0, 0)")
    assert highest_pass(connection) == 5
    connection.execute("INSERT INTO watches VALUES (1, 1, 1, 9, 0, 0, 0)")
    assert highest_pass(connection) == 9


def test_series_go_on_from_the_finest_grain_that_holds_them(connection: sqlite3.Connection, batch: Batch) -> None:
    names = ("a", "b", "c", "d", "e")
    origins = [Origin(name) for name in names]
    for origin in origins:
        batch.begin_series(origin, MEDIA, _mark(1))
    batch.put(_mark(8), 1, 3)
    batch.put(_mark(9), 1, 4)
    batch.put(_mark(8), 4, None)
    batch.write(connection)
    connection.execute("INSERT INTO hours VALUES (1, 1, NULL, NULL, 1, 1), (1, 2, NULL, NULL, 7, 1)")
    connection.execute("INSERT INTO hours VALUES (1, 4, NULL, NULL, 6, 1)")
    connection.execute("INSERT INTO days VALUES (1, 2, NULL, NULL, 2, 1), (1, 3, NULL, 9, NULL, 1)")
    ended = {key[0].path: series for key, series in load_ended(connection, None).items()}
    assert ended == {
        "a": ResumableSeries(1, 4, in_gap=False, per_boot=False),
        "b": ResumableSeries(2, 7, in_gap=False, per_boot=False),
        "c": ResumableSeries(3, 9, in_gap=True, per_boot=False),  # it ended in a gap, with 9
        "d": ResumableSeries(4, 6, in_gap=True, per_boot=False),  # likewise, and its 6 is in an older grain
        "e": ResumableSeries(5, None, in_gap=True, per_boot=False),
    }


def test_a_sample_that_is_no_number_is_damage(connection: sqlite3.Connection, batch: Batch) -> None:
    batch.begin_series(HERE, MEDIA, _mark(1))
    batch.put(_mark(1), 1, "warm")  # type: ignore[arg-type] # as a damaged file may hold
    batch.write(connection)
    with pytest.raises(sqlite3.DatabaseError, match="damaged: a sample is no number: 'warm'"):
        load_ended(connection, None)


def test_only_the_last_boots_series_go_on_and_the_latest_of_each_name(
    connection: sqlite3.Connection, batch: Batch
) -> None:
    for boot in (1, 2, 2):
        batch.begin_series(HERE, measures.CORRECTABLE, _mark(boot, boot))
    batch.begin_series(HERE, MEDIA, _mark(1))
    batch.write(connection)
    assert {key[1]: ended.series for key, ended in load_ended(connection, 2).items()} == {
        "correctable_errors": 3,
        "media_errors": 4,
    }
    assert {key[1] for key in load_ended(connection, 3)} == {"media_errors"}
