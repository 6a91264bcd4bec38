"""Rest, load and heat before an episode, as far as the readings around it tell."""

import pytest

from laneproof_collectors.snapshot import AutonomousTransitions, TemperatureReading
from laneproof_collectors.unread import Unread
from simulated_cases import DOWN, MB, PATH, Working, features
from simulated_past import DAY, HOUR, Story
from snapshot_box import Box


def test_a_box_that_always_rests_says_nothing_of_rest() -> None:
    work = Working()
    for day in range(6):
        for hour in range(24):
            work.hour(900.0 if (day, hour) == (0, 0) else 0.0, drops=day > 0 and hour == 15)
    assert features(work.story)["drops_after_idle_exit"] is None


@pytest.mark.parametrize(
    ("before", "during", "at_rest", "under_load"),
    [
        (0.0, 0.0, True, False),
        (900.0, 900.0, False, True),
        (0.0, 900.0, None, None),  # it may have dropped in either
        (900.0, 0.0, None, None),
    ],
)
def test_passes_hours_apart_show_rest_and_load_only_where_both_sides_agree(
    before: float,
    during: float,
    at_rest: bool | None,  # noqa: FBT001
    under_load: bool | None,  # noqa: FBT001
) -> None:
    work = Working()
    for number in range(60):
        phase = number % 10
        rate = {8: before, 9: during}.get(phase, 900.0 if phase < 4 else 0.0)
        work.moved += int(rate * MB * 6 * HOUR)
        work.story.observe(work.box(), after=6 * HOUR, log=(DOWN,) if phase == 9 else ())
    answers = features(work.story)
    assert answers["drops_after_idle_exit"] is at_rest
    assert answers["drops_under_load"] is under_load


@pytest.mark.parametrize(
    ("before", "in_the_hour", "expected"),
    [
        (500, 12, True),
        (500, 0, False),
        (0, 0, None),  # a drive that never counted a minute may be one that does not count
    ],
)
@pytest.mark.parametrize("count", ["warning_temperature_minutes", "critical_temperature_minutes"])
def test_where_passes_are_far_apart_the_minutes_of_an_episodes_hour_show_whether_it_was_hot(
    count: str,
    before: int,
    in_the_hour: int,
    expected: bool | None,  # noqa: FBT001
) -> None:
    def box(minutes: int) -> Box:
        health = {"composite_temperature_celsius": 45.0, count: minutes}
        return Box().with_port(PATH).with_drive(PATH, health=health)

    minutes = before
    story = Story().observe(box(minutes))
    for number in range(20):
        drops = number % 5 == 4
        minutes += in_the_hour if drops else 0
        story.observe(box(minutes), after=HOUR, log=(DOWN,) if drops else ())
    assert features(story)["hot_before_drop"] is expected


def thermometer(celsius: float) -> Box:
    reading = TemperatureReading(label="Composite", celsius=celsius, maximum_celsius=80.0, critical_celsius=85.0)
    controller = {name: Unread(name, "denied") for name in ("identity", "health")}
    return Box().with_port(PATH).with_drive(PATH, controller={**controller, "temperatures": (reading,)})


@pytest.mark.parametrize(("celsius", "expected"), [(79.0, True), (45.0, False)])
def test_heat_before_a_drop_is_judged_by_the_thermometer_where_there_is_no_log(
    celsius: float,
    expected: bool,  # noqa: FBT001
) -> None:
    box = thermometer(celsius)
    story = Story().observe(box).observe(box, after=600.0, log=(DOWN,))
    assert features(story)["hot_before_drop"] is expected


@pytest.mark.parametrize(("hottest", "expected"), [(81.0, True), (60.0, False)])
def test_a_day_of_readings_shows_whether_it_was_above_its_threshold(hottest: float, expected: bool) -> None:  # noqa: FBT001
    story = Story()
    for hour in range(23):
        story.observe(thermometer(hottest if hour == 9 else 45.0), after=HOUR)
    assert features(story)["warning_minutes_rising"] is (expected or None)
    story.observe(thermometer(45.0), after=HOUR)
    assert features(story)["warning_minutes_rising"] is expected


def test_idle_states_that_were_switched_off_for_a_cure_were_on() -> None:
    idles = AutonomousTransitions(enabled=True, transitions={0: (3, 500)})
    on = Box().with_port(PATH).with_drive(PATH, controller={"autonomous_transitions": idles})
    off = Box().with_port(PATH).with_drive(PATH)
    story = Story().observe(on, log=(DOWN,))  # how it was at the drop is not known: it was read afterwards
    story.restart().observe(off, after=DAY)
    (drop,) = story.ledger.episodes.episodes
    assert drop.before.idle_states is None
    assert features(story)["idle_states_on"] is True


def test_time_that_goes_on_without_a_drop_moves_nothing_that_is_a_share_of_time() -> None:
    work = Working()
    for day in range(6):
        for hour in range(24):
            work.hour(900.0 if hour < 12 else 0.0, drops=day > 0 and hour == 15)
    for _ in range(24 * 20):  # it rests for weeks, so that most of the time is rest
        work.hour(0.0)
    answers = features(work.story)
    assert answers["drops_after_idle_exit"] is True
    for hour in range(24):
        work.hour(0.0, drops=hour == 15)
    assert features(work.story)["drops_after_idle_exit"] is None


def test_many_drops_spread_like_the_time_itself_are_none_of_rest() -> None:
    work = Working()
    for day in range(30):
        for hour in range(24):
            work.hour(900.0 if hour < 12 else 0.0, drops=(day, hour) != (0, 0) and (hour + day * 24) % 13 == 0)
    answers = features(work.story)
    assert answers["drops_after_idle_exit"] is False
