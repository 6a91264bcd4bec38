"""A link's error rate followed hour by hour: what is learned, what climbs, and what is no change."""

import random

import pytest
from pydantic import TypeAdapter

from boxes.simulated_past import HOUR
from laneproof.past.rate_watch import LEARNING_HOURS, RateWatch
from support.unread_answers import known

START = 1_790_000_000.0 - 1_790_000_000.0 % HOUR


class Followed:
    """A watch that is fed hour after hour."""

    def __init__(self) -> None:
        self.watch = RateWatch()
        self.hours = 0

    def go(self, hours: int, *, every: int = 0) -> "Followed":
        """So many hours; in one of so many an error is counted (0: in none)."""
        for number in range(hours):
            self.hours += 1
            self.watch.add(START + self.hours * HOUR, HOUR, marked=bool(every) and number % every == every - 1)
        return self

    @property
    def alarm(self) -> bool:
        return self.watch.cusum is not None and self.watch.cusum.alarm


def test_nothing_is_said_while_it_learns() -> None:
    followed = Followed().go(int(LEARNING_HOURS), every=1)
    assert followed.watch.cusum is None
    followed.go(1)
    assert followed.watch.cusum is not None
    assert not followed.alarm


def test_a_quiet_year_is_no_change() -> None:
    followed = Followed()
    for _ in range(12):
        assert not followed.go(730).alarm


def test_an_error_a_day_after_quiet_weeks_is_noticed_on_the_eighth_day() -> None:
    # each such day gains ln 10 and loses 24 (1/24 - 1/240): ln 87600 is passed with the eighth error
    followed = Followed().go(20 * 24)
    days = 0
    while not followed.alarm and days < 30:
        days += 1
        followed.go(22).go(1, every=1).go(1)  # an hour is taken in once it has ended
    assert days == 8
    cusum = known(followed.watch.cusum)
    assert cusum.climbing_events == 8


@pytest.mark.parametrize("readings", [1, 60])
def test_a_burst_is_one_event_however_many_minutes_it_takes(readings: int) -> None:
    followed = Followed().go(30 * 24)
    for number in range(readings):
        followed.watch.add(START + (followed.hours + 1) * HOUR + number * 60.0, 60.0, marked=True)
    followed.hours += 1
    followed.go(1)
    cusum = known(followed.watch.cusum)
    assert 0.0 < cusum.score < 2.4
    assert cusum.climbing_events == 1


def test_three_times_what_is_normal_for_a_link_is_no_change() -> None:
    followed = Followed().go(60 * 24, every=24)
    assert not followed.go(60 * 24, every=8).alarm


def test_six_times_what_is_normal_is_one() -> None:
    followed = Followed().go(60 * 24, every=24)
    assert followed.go(10 * 24, every=4).alarm


def test_what_is_under_suspicion_is_learned_only_once_it_is_cleared() -> None:
    followed = Followed().go(20 * 24)
    hours, events = followed.watch.learned_hours, followed.watch.learned_events
    followed.go(24, every=24).go(2)
    assert (followed.watch.learned_hours, followed.watch.learned_events) == (hours + 24.0 - 1.0 + 1.0, events)
    followed.go(20 * 24)
    assert followed.watch.learned_events == events + 1


def test_an_alarm_is_over_soon_after_the_errors_are() -> None:
    followed = Followed().go(20 * 24).go(90 * 24, every=12)
    assert followed.alarm
    assert not followed.go(6 * 24).alarm


def test_ten_years_of_hours_lie_between_false_alarms() -> None:
    # G. Lorden 1971: e^h steps at least; drawn are thirty years of links with an hour of errors in fifty
    draw = random.Random(3)
    alarms = 0
    for _ in range(30):
        followed = Followed()
        was = False
        for _ in range(8766):
            followed.hours += 1
            followed.watch.add(START + followed.hours * HOUR, HOUR, marked=draw.random() < 0.02)
            alarms += followed.alarm and not was
            was = followed.alarm
    assert alarms <= 1


def test_passes_hours_apart_count_the_time_between_and_each_once() -> None:
    watch = RateWatch()
    for number in range(200):
        watch.add(START + number * 3 * HOUR, 3 * HOUR, marked=number == 150)
    assert watch.learned_hours == pytest.approx(199 * 3.0)
    assert watch.learned_events == 1


def test_it_is_kept_as_plain_values() -> None:
    adapter = TypeAdapter(RateWatch)
    watch = Followed().go(30 * 24, every=30).watch
    assert adapter.validate_json(adapter.dump_json(watch, exclude_defaults=True)) == watch
