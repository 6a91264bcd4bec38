"""Each rule has a page, and for a name that is nearly right the near one is named."""

import os

import pytest

from contracts.hand_made import inside
from laneproof.rules import RULES
from laneproof.rules.rule import Rule


@pytest.mark.parametrize("rule", RULES, ids=lambda rule: rule.name)
def test_each_rule_has_a_page_that_fits_80_columns(rule: Rule) -> None:
    ended = inside("explain", rule.name)
    assert ended.status == 0
    assert rule.name in ended.out.splitlines()[0]
    assert max(map(len, ended.out.splitlines())) <= 80


def test_all_rules_are_listed_with_their_statement() -> None:
    lines = inside("explain").out.splitlines()
    assert [line.split("  ")[0] for line in lines] == [rule.name for rule in RULES]
    assert all(line.endswith(rule.statement) for line, rule in zip(lines, RULES, strict=True))


@pytest.mark.parametrize(
    ("name", "says"), [("link-slwo", "did you mean 'link-slow'?"), ("zzz", "'laneproof explain' lists all rules")]
)
def test_a_rule_that_is_none_ends_with_64(name: str, says: str) -> None:
    ended = inside("explain", name)
    assert ended.status == os.EX_USAGE
    assert says in ended.err
