"""Where work can hurt someone or lose data, the cautions stand in the steps."""

import pytest

from laneproof.advice import LIVE_DRIVE, OPEN_CASE
from laneproof.rules import RULES
from laneproof.rules.rule import Rule

HANDS_ON = (
    "reseat",
    "swap the drive",
    "take it out",
    "taking it out",
    "sit firmly",
    "put them back",
    "replace the drive",
)


@pytest.mark.parametrize("rule", RULES, ids=lambda rule: rule.name)
def test_step_that_sends_hands_into_the_box_comes_with_cautions(rule: Rule) -> None:
    steps = " ".join(rule.look_next)
    if any(word in steps.casefold() for word in HANDS_ON):
        assert OPEN_CASE in steps


@pytest.mark.parametrize(
    "name", ["position-empty", "occupant-differs", "link-slow", "link-narrow", "array-degraded", "critical-warning"]
)
def test_rules_about_drives_warn_of_pulling_a_live_one(name: str) -> None:
    (rule,) = (one for one in RULES if one.name == name)
    assert any(LIVE_DRIVE in step for step in rule.look_next)


def test_cautions_defer_to_manual_and_qualified_people() -> None:
    for word in ("manual", "qualified person", "static", "mains", "cool"):
        assert word in OPEN_CASE
