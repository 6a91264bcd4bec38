"""When an alarm came, and when it was last seen."""

from laneproof.past.recurrences import RecurrenceBook
from laneproof.past.timeline import Timeline
from support.unread_answers import known

ALARM = ("array-degraded", "md0")


def note(book: RecurrenceBook, timeline: Timeline, at: float, *, seen: bool) -> None:
    timeline.advance(taken_at=at, up_seconds=at, boot_id="one")
    book.note([ALARM] if seen else [], timeline)


def test_an_alarm_comes_once_however_many_passes_see_it() -> None:
    book, timeline = RecurrenceBook(), Timeline()
    for at, seen in ((100.0, True), (200.0, True), (300.0, False), (400.0, True), (500.0, True)):
        note(book, timeline, at, seen=seen)
    record = known(book.of(ALARM))
    assert (record.came, record.seen_at) == ([100.0, 400.0], 500.0)


def test_of_an_alarm_that_comes_and_goes_the_last_fifty_times_are_kept() -> None:
    book, timeline = RecurrenceBook(), Timeline()
    for number in range(140):
        note(book, timeline, 60.0 * number, seen=number % 2 == 0)
    record = known(book.of(ALARM))
    assert record.came == [60.0 * number for number in range(40, 140, 2)]


def test_what_was_not_seen_for_two_weeks_is_forgotten() -> None:
    book, timeline = RecurrenceBook(), Timeline()
    note(book, timeline, 100.0, seen=True)
    note(book, timeline, 101.0 + 14 * 86400.0, seen=False)
    assert book.of(ALARM) is None
