"""Rest, load and heat before an episode, as far as the readings around it tell."""

import pytest

from boxes.feature_stories import LOAD_STORIES, check_stories
from boxes.simulated_cases import DOWN, PATH, after_loads, features
from boxes.simulated_past import DAY, HOUR, PATHS, Story
from boxes.snapshot_box import Box
from laneproof.past.drive_load import IDLE, LOADED, WORKING
from laneproof_collectors.snapshot import AutonomousTransitions, TemperatureReading
from laneproof_collectors.unread import Unread


@pytest.mark.parametrize("feature", LOAD_STORIES)
def test_a_feature_of_load_and_heat_is_seen_absent_or_unknown(feature: str) -> None:
    check_stories(LOAD_STORIES, feature)


@pytest.mark.parametrize(
    ("loads", "at_rest", "under_load"),
    [
        ([WORKING] * 5, False, None),
        ([IDLE] * 11 + [LOADED] * 11, False, False),  # spread like the time itself
        # load, load meanwhile, length of the window before, how long before the episode it ended
        ([(IDLE, WORKING, 600.0, 70.0)] * 5, True, False),
        ([(WORKING, LOADED, 600.0, 70.0)] * 5, False, True),
        ([(IDLE, LOADED, 600.0, 1001.0)] * 5, None, None),  # it may have dropped in either
        ([(IDLE, IDLE, 600.0, 1001.0)] * 5, True, False),
        # passes an hour apart show rest and load only where both sides agree, however soon after a pass it drops
        ([(IDLE, IDLE, 3600.0, 400.0)] * 5, True, False),
        ([(LOADED, LOADED, 3600.0, 400.0)] * 5, False, True),
        ([(IDLE, WORKING, 3600.0, 400.0)] * 5, None, None),  # the day's work began
        ([(LOADED, IDLE, 3600.0, 400.0)] * 5, None, None),  # the night's work ended
        ([(WORKING, WORKING, 3600.0, 400.0)] * 5, None, None),  # it holds rest and work
        ([(IDLE, WORKING, 3600.0, 120.0)] * 5, True, False),  # a pass came just before
        ([(IDLE, WORKING, 3600.0, 121.0)] * 5, None, None),
        ([(WORKING, WORKING, 3600.0, 70.0)] * 5, None, None),
        ([(IDLE, IDLE, 3600.0, 400.0)] * 4 + [(WORKING, WORKING, 3600.0, 400.0)] * 5, True, False),
        ([(IDLE, IDLE, 1000.0, 1000.0), (IDLE, LOADED, 1000.0, 1000.0)] * 2, True, False),
    ],
)
def test_rest_and_load_are_what_held_just_before_or_on_both_sides_of_a_long_window(
    loads: list[str | tuple[str, str, float, float]],
    at_rest: bool | None,
    under_load: bool | None,
) -> None:
    answers = features(after_loads(loads))
    assert (answers["drops_after_idle_exit"], answers["drops_under_load"]) == (at_rest, under_load)


@pytest.mark.parametrize(("load", "expected"), [(IDLE, None), (LOADED, False)])
def test_without_idle_states_there_is_none_to_leave(load: str, expected: bool | None) -> None:
    assert features(after_loads([load] * 5, idle_states=False))["drops_after_idle_exit"] is expected


@pytest.mark.parametrize(
    ("load", "together", "power_lost", "expected"),
    [(IDLE, True, True, None), (IDLE, True, False, True), (IDLE, False, True, True), (LOADED, True, True, False)],
)
def test_drives_that_lose_their_power_together_as_work_begins_do_not_fail_in_leaving_an_idle_state(
    load: str,
    together: bool,
    power_lost: bool,
    expected: bool | None,
) -> None:
    story = after_loads([load] * 5)
    for episode in story.ledger.episodes.episodes:
        episode.together, episode.power_lost = [PATHS[1]] if together else [], power_lost
    assert features(story)["drops_after_idle_exit"] is expected


def test_a_state_in_which_the_drive_nearly_always_is_says_nothing() -> None:
    assert features(after_loads([IDLE] * 5, shares=(0.99, 0.0, 0.01)))["drops_after_idle_exit"] is None
    assert features(after_loads([LOADED] * 5, shares=(0.01, 0.0, 0.99)))["drops_under_load"] is None


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
    expected: bool | None,
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
    expected: bool,
) -> None:
    box = thermometer(celsius)
    story = Story().observe(box).observe(box, after=600.0, log=(DOWN,))
    assert features(story)["hot_before_drop"] is expected


@pytest.mark.parametrize(("hottest", "expected"), [(81.0, True), (60.0, False)])
def test_a_day_of_readings_shows_whether_it_was_above_its_threshold(hottest: float, expected: bool) -> None:
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
