"""Links that do not keep what they trained at."""

import pytest

from laneproof.engine import LIVE_CONFIRMATIONS, Engine
from laneproof.rules.links.link_retrained_down import LINK_RETRAINED_DOWN
from rule_examples import check_examples, example
from simulated_box import GENERATION_4, Box, declare
from simulated_past import PATHS, training_past
from story_engine import DAY, HOUR, Watcher

PATH = PATHS[0]

BUILD = declare(f'[[position]]\nlabel = "riser-1"\npath = "{PATH}"\nlink = {{ generation = 4, lanes = 4 }}')


def box(generation: int = 4, lanes: int = 4, **port: object) -> Box:
    made = Box().with_port(PATH, trained=(generation, lanes), **port)  # type: ignore[arg-type] # knobs of the port
    return made.with_drive(PATH, trained=(generation, lanes), serial="FN1")


def test_a_fall_is_an_alarm_and_stays_a_week_after_the_link_is_back() -> None:
    watcher = Watcher("link-retrained-down", BUILD).observe(box()).observe(box(1), after=HOUR)
    assert watcher.changes == [("raised", "warning", "its link fell while running")]
    assert "from 16 GT/s (generation 4) x4 to 2.5 GT/s (generation 1) x4" in watcher.standing[0].summary
    watcher.observe(box(), after=HOUR).observe(box(), after=6 * DAY)
    assert "has come back since" in watcher.standing[0].summary
    watcher.observe(box(), after=2 * DAY)
    assert watcher.standing == []
    assert (watcher.changes[0][0], watcher.changes[-1][0]) == ("raised", "cleared")


def test_a_fall_lasts_as_long_as_the_link_is_down() -> None:
    watcher = Watcher("link-retrained-down", BUILD).observe(box()).observe(box(4, 2), after=HOUR)
    watcher.observe(box(4, 2), after=30 * DAY)
    assert watcher.severity == "warning"


def live() -> Watcher:
    watcher = Watcher("link-retrained-down", BUILD)
    watcher.engine = Engine(BUILD, confirmations=LIVE_CONFIRMATIONS)
    return watcher


def test_a_link_caught_once_while_it_trains_is_no_fall() -> None:
    watcher = live().observe(box()).observe(box(1), after=HOUR)
    for _ in range(5):
        watcher.observe(box(), after=1.0)
    assert watcher.observe(box(), after=HOUR).changes == []


def test_a_link_that_is_caught_training_twice_in_a_week_fell() -> None:
    watcher = live().observe(box())
    for _ in range(2):
        watcher.observe(box(1), after=HOUR).observe(box(), after=1.0)
    for _ in range(3):
        watcher.observe(box(), after=1.0)
    assert watcher.severity == "warning"


def test_a_link_that_three_readings_a_second_apart_saw_low_fell_even_if_it_is_back_at_once() -> None:
    watcher = live().observe(box())
    for _ in range(3):
        watcher.observe(box(1), after=1.0)
    assert watcher.observe(box(), after=1.0).severity == "warning"
    assert "has come back since" in watcher.standing[0].summary


def test_what_the_plan_asks_for_is_no_fall() -> None:
    plan = declare(f'[[position]]\nlabel = "a"\npath = "{PATH}"\nlink = {{ generation = 3, lanes = 2 }}')
    watcher = Watcher("link-retrained-down", plan).observe(box()).observe(box(3, 2), after=HOUR)
    assert watcher.standing == []


@pytest.mark.parametrize(("rule", "low"), [("link-slow", (1, 4)), ("link-narrow", (4, 1))])
def test_a_link_that_retrains_all_day_is_one_complaint(rule: str, low: tuple[int, int]) -> None:
    fell, slow = Watcher("link-retrained-down", BUILD), Watcher(rule, BUILD)
    for watcher in (fell, slow):
        watcher.observe(box())
        for _ in range(30):
            watcher.observe(box(*low), after=HOUR).observe(box(*low), after=HOUR).observe(box(), after=6 * HOUR)
    assert [change[0] for change in fell.changes] == ["raised", "changed"]  # its likely cause, once
    assert [change[0] for change in slow.changes] == ["raised", "cleared"]  # the first fall, until it was back


def test_a_link_that_comes_up_low_after_a_fall_is_said_to_be_slow() -> None:
    watcher = (
        Watcher("link-slow", BUILD)
        .observe(box())
        .observe(box(1), after=HOUR)
        .observe(box(), after=HOUR)
        .observe(box(1), after=HOUR)
    )
    assert watcher.standing == []
    watcher.restart().observe(box(1), after=60.0)
    assert [finding.severity for finding in watcher.standing] == ["warning"]


@pytest.mark.parametrize("rule", ["link-slow", "link-narrow"])
@pytest.mark.parametrize("accepts", [False, True])
def test_a_link_that_fell_again_for_good_is_low_whatever_is_said_of_its_falls(rule: str, *, accepts: bool) -> None:
    accept = (
        '[[accept]]\nrule = "link-retrained-down"\nposition = "riser-1"\nbecause = "it flaps"\nuntil = 2027-12-31\n'
    )
    plan = f'[[position]]\nlabel = "riser-1"\npath = "{PATH}"\nlink = {{ generation = 4, lanes = 4 }}\n'
    watcher = Watcher(rule, declare(plan + accept if accepts else plan)).observe(box())
    for _ in range(4):
        watcher.observe(box(1, 1), after=HOUR).observe(box(), after=HOUR)
    assert [change[0] for change in watcher.changes] == ["raised", "cleared"]
    watcher.observe(box(1, 1), after=5 * DAY).observe(box(1, 1), after=2 * DAY)
    assert [change[0] for change in watcher.changes] == ["raised", "cleared", "raised"]
    assert watcher.severity == "warning"


def test_examples() -> None:
    check_examples(
        LINK_RETRAINED_DOWN,
        GENERATION_4,
        example("as it came up", training_past((4, 4, 4))),
        example(
            "it came up at generation 4 and is now at 1",
            training_past((4, 4, 1), restarts=False),
            "warning nvme0 | See whether the",
        ),
    )
