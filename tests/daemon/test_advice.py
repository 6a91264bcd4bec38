"""What to do next: five steps at most, the safest first, each caution once."""

import pytest

from laneproof import advice
from laneproof.advice import (
    BACK_UP,
    CAUTIONS,
    DEGRADED_ARRAY,
    LIVE_DRIVE,
    MOST_STEPS,
    OPEN_CASE,
    RESEAT,
    SHORTER_PART,
    Step,
    advise,
    split_step,
)
from laneproof.rules import RULES
from laneproof.rules.rule import Rule


def test_each_caution_is_said_once_with_the_first_step_that_needs_it() -> None:
    first, second, third = advise(BACK_UP, RESEAT, SHORTER_PART)
    assert first == BACK_UP.says
    assert second == f"{RESEAT.says} {OPEN_CASE} {DEGRADED_ARRAY}"
    assert third == SHORTER_PART.says


def test_a_caution_that_stands_alone_belongs_to_the_step_after_it_or_to_the_last() -> None:
    assert advise("Look.", DEGRADED_ARRAY, "Pull.") == ("Look.", f"Pull. {DEGRADED_ARRAY}")
    assert advise("Look.", "Pull.", LIVE_DRIVE) == ("Look.", f"Pull. {LIVE_DRIVE}")


def test_a_box_that_is_shut_down_has_no_live_drive() -> None:
    assert advise("Reseat it.", LIVE_DRIVE, OPEN_CASE) == (f"Reseat it. {OPEN_CASE}",)
    assert advise(RESEAT, "Pull it.", LIVE_DRIVE)[1] == "Pull it."


def test_no_step_is_said_twice_and_a_sixth_is_left_out() -> None:
    assert advise("One.", "One.", f"One. {LIVE_DRIVE}") == (f"One. {LIVE_DRIVE}",)
    assert advise(*"abcdefg") == tuple("abcde")
    assert advise(*advise(*"abc"), "d") == tuple("abcd")


@pytest.mark.parametrize("step", [value for value in vars(advice).values() if isinstance(value, Step)])
def test_a_written_step_can_be_taken_apart_again(step: Step) -> None:
    (written,) = advise(step)
    parts = split_step(written)
    assert parts.says == step.after(None).says
    assert set(parts.cautions) == set(step.cautions)
    assert set(step.cautions) <= set(CAUTIONS)


def test_the_clean_time_is_put_in() -> None:
    assert Step("Run for {clean_time}.").after("9 days").says == "Run for 9 days."
    assert "{" not in Step("Run for {clean_time}.").after(None).says


# --- what the rules advise --------------------------------------------------------------------------------------------

HANDS_ON = (
    "reseat",
    "swap the drive",
    "taking it out",
    "sit firmly",
    "put them back",
    "replace the drive",
)


@pytest.mark.parametrize("rule", RULES, ids=lambda rule: rule.name)
def test_a_rule_gives_few_steps_with_each_caution_once_before_hands_go_into_the_box(rule: Rule) -> None:
    assert 0 < len(rule.next_steps) <= MOST_STEPS
    steps = [split_step(step) for step in rule.next_steps]
    said = [caution for step in steps for caution in step.cautions]
    assert len(said) == len(set(said))
    assert all(step.says for step in steps)
    hands_on = [number for number, step in enumerate(steps) if any(word in step.says.casefold() for word in HANDS_ON)]
    if hands_on:
        assert any(step.is_hands_on for step in steps[: hands_on[0] + 1])


@pytest.mark.parametrize("rule", RULES, ids=lambda rule: rule.name)
def test_data_come_first(rule: Rule) -> None:
    steps = [split_step(step).says for step in rule.next_steps]
    replaced = [number for number, says in enumerate(steps) if "replace the drive" in says.casefold()]
    if replaced:
        assert any("backup" in says or "Copy what matters" in says for says in steps[: replaced[0] + 1])


def test_cautions_defer_to_manual_and_qualified_people() -> None:
    for word in ("manual", "local codes", "qualified person", "static", "mains", "cool"):
        assert word in OPEN_CASE
