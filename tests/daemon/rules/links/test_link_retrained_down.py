"""Links that do not keep what they trained at."""

import pytest

from laneproof.engine import LIVE_CONFIRMATIONS, Engine
from laneproof.rules.links.link_retrained_down import LINK_RETRAINED_DOWN
from rule_examples import check_examples, example
from simulated_box import GENERATION_4, Box, declare
from simulated_past import PATHS, quiet_snapshot, training_past
from story_engine import DAY, HOUR, Told

PATH = PATHS[0]

BUILD = declare(f'[[position]]\nlabel = "riser-1"\npath = "{PATH}"\nlink = {{ generation = 4, lanes = 4 }}')


def box(generation: int = 4, lanes: int = 4, **port: object) -> Box:
    made = Box().with_port(PATH, trained=(generation, lanes), **port)  # type: ignore[arg-type] # knobs of the port
    return made.with_drive(PATH, trained=(generation, lanes), serial="FN1")


def test_a_fall_is_a_page_and_stays_a_week_after_the_link_is_back() -> None:
    told = Told("link-retrained-down", BUILD).look(box()).look(box(1), after=HOUR)
    assert told.changes == [("raised", "warning", "its link fell while running")]
    assert "from 16 GT/s (generation 4) x4 to 2.5 GT/s (generation 1) x4" in told.standing[0].summary
    told.look(box(), after=HOUR).look(box(), after=6 * DAY)
    assert "has come back since" in told.standing[0].summary
    told.look(box(), after=2 * DAY)
    assert told.standing == []
    assert (told.changes[0][0], told.changes[-1][0]) == ("raised", "cleared")


def test_a_fall_lasts_as_long_as_the_link_is_down() -> None:
    told = Told("link-retrained-down", BUILD).look(box()).look(box(4, 2), after=HOUR)
    told.look(box(4, 2), after=30 * DAY)
    assert told.severity == "warning"


def live() -> Told:
    told = Told("link-retrained-down", BUILD)
    told.engine = Engine(BUILD, confirmations=LIVE_CONFIRMATIONS)
    return told


def test_a_link_caught_once_while_it_trains_is_no_fall() -> None:
    told = live().look(box()).look(box(1), after=HOUR)
    for _ in range(5):
        told.look(box(), after=1.0)
    assert told.look(box(), after=HOUR).changes == []


def test_a_link_that_is_caught_training_twice_in_a_week_fell() -> None:
    told = live().look(box())
    for _ in range(2):
        told.look(box(1), after=HOUR).look(box(), after=1.0)
    for _ in range(3):
        told.look(box(), after=1.0)
    assert told.severity == "warning"


def test_a_link_that_three_looks_a_second_apart_saw_low_fell_even_if_it_is_back_at_once() -> None:
    told = live().look(box())
    for _ in range(3):
        told.look(box(1), after=1.0)
    assert told.look(box(), after=1.0).severity == "warning"
    assert "has come back since" in told.standing[0].summary


def test_what_the_plan_asks_for_is_no_fall() -> None:
    plan = declare(f'[[position]]\nlabel = "a"\npath = "{PATH}"\nlink = {{ generation = 3, lanes = 2 }}')
    told = Told("link-retrained-down", plan).look(box()).look(box(3, 2), after=HOUR)
    assert told.standing == []


@pytest.mark.parametrize(("rule", "low"), [("link-slow", (1, 4)), ("link-narrow", (4, 1))])
def test_a_link_that_retrains_all_day_is_one_complaint(rule: str, low: tuple[int, int]) -> None:
    fell, slow = Told("link-retrained-down", BUILD), Told(rule, BUILD)
    for told in (fell, slow):
        told.look(box())
        for _ in range(30):
            told.look(box(*low), after=HOUR).look(box(*low), after=HOUR).look(box(), after=6 * HOUR)
    assert [change[0] for change in fell.changes] == ["raised", "changed"]  # its likely cause, once
    assert [change[0] for change in slow.changes] == ["raised", "cleared"]  # the first fall, until it was back


def test_a_link_that_comes_up_low_after_a_fall_is_said_to_be_slow() -> None:
    told = (
        Told("link-slow", BUILD).look(box()).look(box(1), after=HOUR).look(box(), after=HOUR).look(box(1), after=HOUR)
    )
    assert told.standing == []
    told.restart().look(box(1), after=60.0)
    assert [finding.severity for finding in told.standing] == ["warning"]


@pytest.mark.parametrize("rule", ["link-slow", "link-narrow"])
@pytest.mark.parametrize(("accepts", "days"), [(False, 2), (True, 0)])
def test_a_link_that_fell_again_for_good_is_low_whatever_is_said_of_its_falls(
    rule: str, *, accepts: bool, days: int
) -> None:
    accept = (
        '[[accept]]\nrule = "link-retrained-down"\nposition = "riser-1"\nbecause = "it flaps"\nuntil = 2027-12-31\n'
    )
    plan = f'[[position]]\nlabel = "riser-1"\npath = "{PATH}"\nlink = {{ generation = 4, lanes = 4 }}\n'
    told = Told(rule, declare(plan + accept if accepts else plan)).look(box())
    told.look(box(1, 1), after=HOUR).look(box(), after=HOUR).look(box(1, 1), after=5 * DAY)
    for _ in range(days):
        told.look(box(1, 1), after=DAY)
    assert [change[0] for change in told.changes] == ["raised", "cleared", "raised"]
    assert told.severity == "warning"


def test_examples() -> None:
    check_examples(
        LINK_RETRAINED_DOWN,
        example("as it came up", GENERATION_4, quiet_snapshot(), past=training_past((4, 4, 4))),
        example(
            "it came up at generation 4 and is now at 1",
            GENERATION_4,
            quiet_snapshot(),
            "warning nvme0 | See whether the",
            past=training_past((4, 4, 1), restarts=False),
        ),
    )
