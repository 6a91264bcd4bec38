"""link-retrained-down and link-degraded-on-some-boots: falls while running, and boots that come up short."""

from laneproof.engine import LIVE_CONFIRMATIONS, Engine
from laneproof.rules.example_past import PATHS
from simulated_box import Box, declare
from story_engine import DAY, HOUR, Told

PATH = PATHS[0]
BUILD = declare(f'[[position]]\nlabel = "riser-1"\npath = "{PATH}"\nlink = {{ generation = 4, lanes = 4 }}')


def box(generation: int = 4, lanes: int = 4, **port: object) -> Box:
    made = Box().with_port(PATH, trained=(generation, lanes), **port)  # type: ignore[arg-type] # knobs of the port
    return made.with_drive(PATH, trained=(generation, lanes), serial="FN1")


def boots(told: Told, *generations: int) -> Told:
    for generation in generations:
        told.restart(after=DAY).look(box(generation) if generation else Box().with_port(PATH), after=HOUR)
    return told


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


def test_good_boots_say_nothing() -> None:
    assert boots(Told("link-degraded-on-some-boots", BUILD), *[4] * 12).changes == []


def test_one_short_boot_is_a_note_once_it_is_over_and_the_second_a_page() -> None:
    told = boots(Told("link-degraded-on-some-boots", BUILD), 4, 4, 1)
    assert told.changes == []  # for the moment link-slow speaks
    boots(told, 4)
    assert told.severity == "notice"
    boots(told, 4, 4, 1, 4, 4)
    assert told.severity == "warning"
    (finding,) = told.standing
    assert (finding.evidence["short_boots"], finding.evidence["boots"]) == (2, 9)
    # Jeffreys' interval of 2 in 9 (published): 0.0493 to 0.5438
    assert finding.evidence["share_bounds"] == (0.0493, 0.5438)
    assert finding.evidence["clean_boots_to_show_below_5_percent"] == 59


def test_a_boot_without_the_drive_is_short_too() -> None:
    assert boots(Told("link-degraded-on-some-boots", BUILD), 4, 0, 4).severity == "notice"


def test_always_short_is_other_rules_matter() -> None:
    assert boots(Told("link-degraded-on-some-boots", BUILD), 3, 3, 3, 3).changes == []


def test_short_since_some_boot_and_ever_after_is_a_change_and_no_lottery() -> None:
    assert boots(Told("link-degraded-on-some-boots", BUILD), 4, 4, 3, 3, 3).changes == []


def test_a_limit_that_the_firmware_set_for_a_while_is_no_short_boot() -> None:
    told = boots(Told("link-degraded-on-some-boots", BUILD), 4, 4)
    told.restart(after=DAY).look(box(3, target=3), after=HOUR)
    boots(told, 4, 4)
    assert told.changes == []


def test_twenty_good_boots_clear_it() -> None:
    told = boots(Told("link-degraded-on-some-boots", BUILD), 4, 1, 4)
    boots(told, *[4] * 18)
    assert told.standing
    boots(told, 4)
    assert told.standing == []
