"""Links that do not keep what they trained at."""

import pytest

from boxes.link_box import PATH, trained
from boxes.simulated_past import training_past
from boxes.snapshot_box import GENERATION_4, declare
from boxes.story_engine import DAY, HOUR, Watcher
from laneproof.engine import LIVE_CONFIRMATIONS, Engine
from laneproof.rules.links.link_retrained_down import LINK_RETRAINED_DOWN
from support.rule_examples import check_examples, example

BUILD = declare(GENERATION_4)


def test_a_fall_is_an_alarm_and_stays_a_week_after_the_link_is_back() -> None:
    watcher = Watcher("link-retrained-down", BUILD).observe(trained()).observe(trained(1), after=HOUR)
    assert watcher.changes == [("raised", "warning", "its link fell while running")]
    assert "from 16 GT/s (generation 4) x4 to 2.5 GT/s (generation 1) x4" in watcher.standing[0].summary
    watcher.observe(trained(), after=HOUR).observe(trained(), after=6 * DAY)
    assert "has come back since" in watcher.standing[0].summary
    watcher.observe(trained(), after=2 * DAY)
    assert watcher.standing == []
    assert (watcher.changes[0][0], watcher.changes[-1][0]) == ("raised", "cleared")


def test_a_fall_lasts_as_long_as_the_link_is_down() -> None:
    watcher = Watcher("link-retrained-down", BUILD).observe(trained()).observe(trained(4, 2), after=HOUR)
    watcher.observe(trained(4, 2), after=30 * DAY)
    assert watcher.severity == "warning"


def live() -> Watcher:
    watcher = Watcher("link-retrained-down", BUILD)
    watcher.engine = Engine(BUILD, confirmations=LIVE_CONFIRMATIONS)
    return watcher


def test_a_link_caught_once_while_it_trains_is_no_fall() -> None:
    watcher = live().observe(trained()).observe(trained(1), after=HOUR)
    watcher.observe(trained(), after=1.0, times=5)
    assert watcher.observe(trained(), after=HOUR).changes == []


def test_a_link_that_is_caught_training_twice_in_a_week_fell() -> None:
    watcher = live().observe(trained())
    for _ in range(2):
        watcher.observe(trained(1), after=HOUR).observe(trained(), after=1.0)
    watcher.observe(trained(), after=1.0, times=3)
    assert watcher.severity == "warning"


def test_a_link_that_three_readings_a_second_apart_saw_low_fell_even_if_it_is_back_at_once() -> None:
    watcher = live().observe(trained())
    watcher.observe(trained(1), after=1.0, times=3)
    assert watcher.observe(trained(), after=1.0).severity == "warning"
    assert "has come back since" in watcher.standing[0].summary


def test_what_the_plan_asks_for_is_no_fall() -> None:
    plan = declare(f'[[position]]\nlabel = "a"\npath = "{PATH}"\nlink = {{ generation = 3, lanes = 2 }}')
    watcher = Watcher("link-retrained-down", plan).observe(trained()).observe(trained(3, 2), after=HOUR)
    assert watcher.standing == []


@pytest.mark.parametrize(("rule", "low"), [("link-slow", (1, 4)), ("link-narrow", (4, 1))])
def test_a_link_that_retrains_all_day_is_one_complaint(rule: str, low: tuple[int, int]) -> None:
    fell, slow = Watcher("link-retrained-down", BUILD), Watcher(rule, BUILD)
    for watcher in (fell, slow):
        watcher.observe(trained())
        for _ in range(30):
            watcher.observe(trained(*low), after=HOUR).observe(trained(*low), after=HOUR)
            watcher.observe(trained(), after=6 * HOUR)
    assert fell.became == ["raised", "changed"]  # its likely cause, once
    assert slow.became == ["raised", "cleared"]  # the first fall, until it was back


def test_a_link_that_comes_up_low_after_a_fall_is_said_to_be_slow() -> None:
    watcher = Watcher("link-slow", BUILD)
    for generation in (4, 1, 4, 1):
        watcher.observe(trained(generation), after=HOUR)
    assert watcher.standing == []
    watcher.restart().observe(trained(1), after=60.0)
    assert [finding.severity for finding in watcher.standing] == ["warning"]


@pytest.mark.parametrize("rule", ["link-slow", "link-narrow"])
@pytest.mark.parametrize("accepts", [False, True])
def test_a_link_that_fell_again_for_good_is_low_whatever_is_said_of_its_falls(rule: str, *, accepts: bool) -> None:
    accept = 'rule = "link-retrained-down", position = "riser-1", because = "it flaps", until = 2027-12-31'
    plan = GENERATION_4 + f"\naccept = [{{ {accept} }}]" * accepts
    watcher = Watcher(rule, declare(plan)).observe(trained())
    for _ in range(4):
        watcher.observe(trained(1, 1), after=HOUR).observe(trained(), after=HOUR)
    assert watcher.became == ["raised", "cleared"]
    watcher.observe(trained(1, 1), after=5 * DAY).observe(trained(1, 1), after=2 * DAY)
    assert watcher.became == ["raised", "cleared", "raised"]
    assert watcher.severity == "warning"


def test_examples() -> None:
    check_examples(
        LINK_RETRAINED_DOWN,
        GENERATION_4,
        example(training_past((4, 4, 4))),
        example(training_past((4, 4, 1), restarts=False), "warning nvme0 | See whether the"),
    )
