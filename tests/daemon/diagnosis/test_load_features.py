"""Rest, load and heat before an episode, as far as the readings around it tell."""

import pytest

from laneproof.past.drive_load import IDLE, LOADED, WORKING
from laneproof.past.episodes import Before
from laneproof_collectors.snapshot import AutonomousTransitions, TemperatureReading
from laneproof_collectors.unread import Unread
from simulated_cases import DOWN, PATH, Working, dropping, features
from simulated_past import DAY, HOUR, Story
from snapshot_box import Box


def test_a_box_that_always_rests_says_nothing_of_rest() -> None:
    work = Working()
    for day in range(6):
        for hour in range(24):
            work.hour(900.0 if (day, hour) == (0, 0) else 0.0, drops=day > 0 and hour == 15)
    assert features(work.story)["drops_after_idle_exit"] is None


@pytest.mark.parametrize(
    ("befores", "at_rest", "under_load"),
    [
        # load, load meanwhile, length of the window before, how long before the episode it ended
        ([(IDLE, IDLE, 600.0, 70.0)] * 5, True, False),
        ([(IDLE, WORKING, 600.0, 70.0)] * 5, True, False),
        ([(LOADED, LOADED, 600.0, 70.0)] * 5, False, True),
        ([(WORKING, WORKING, 600.0, 70.0)] * 5, False, None),
        ([(WORKING, LOADED, 600.0, 70.0)] * 5, False, True),
        ([(IDLE, LOADED, 600.0, 1001.0)] * 5, None, None),  # it may have dropped in either
        ([(IDLE, IDLE, 600.0, 1001.0)] * 5, True, False),
        # passes an hour apart show rest and load only where both sides agree, however soon after a pass it drops
        ([(IDLE, IDLE, 3600.0, 400.0)] * 5, True, False),
        ([(LOADED, LOADED, 3600.0, 400.0)] * 5, False, True),
        ([(IDLE, WORKING, 3600.0, 400.0)] * 5, None, None),  # the day's work began
        ([(LOADED, IDLE, 3600.0, 400.0)] * 5, None, None),  # the night's work ended
        ([(WORKING, WORKING, 3600.0, 400.0)] * 5, None, None),  # it holds rest and work
        ([(IDLE, IDLE, 3600.0, 400.0)] * 4 + [(WORKING, WORKING, 3600.0, 400.0)] * 5, True, False),
        ([(IDLE, IDLE, 1000.0, 1000.0), (IDLE, LOADED, 1000.0, 1000.0)] * 2, True, False),
    ],
)
def test_rest_and_load_are_what_held_just_before_or_on_both_sides_of_a_long_window(
    befores: list[tuple[str, str, float, float]],
    at_rest: bool | None,  # noqa: FBT001
    under_load: bool | None,  # noqa: FBT001
) -> None:
    story = dropping([2.0] * len(befores))
    for episode, (load, during, window, age) in zip(story.ledger.episodes.episodes, befores, strict=True):
        episode.before = Before(
            load=load, load_during=during, window_seconds=window, load_age_seconds=age,
            state_seconds={IDLE: 40 * HOUR, WORKING: 20 * HOUR, LOADED: 40 * HOUR},
        )  # fmt: skip
    answers = features(story)
    assert (answers["drops_after_idle_exit"], answers["drops_under_load"]) == (at_rest, under_load)


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
