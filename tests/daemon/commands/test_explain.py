"""Each rule has a page, and for a name that is nearly right the near one is named."""

import os

import pytest

from laneproof.cli import main
from laneproof.rules import RULES


@pytest.mark.parametrize("rule", RULES, ids=lambda one: one.name)
def test_each_rule_has_a_page_that_fits_80_columns(rule: object, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["explain", rule.name]) == 0  # type: ignore[attr-defined]
    page = capsys.readouterr().out
    assert rule.name in page.splitlines()[0]  # type: ignore[attr-defined]
    assert max(map(len, page.splitlines())) <= 80


def test_all_rules_are_listed_with_their_statement(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["explain"]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert [line.split("  ")[0] for line in lines] == [rule.name for rule in RULES]
    assert all(line.endswith(rule.statement) for line, rule in zip(lines, RULES, strict=True))


@pytest.mark.parametrize(
    ("name", "says"), [("link-slwo", "did you mean 'link-slow'?"), ("zzz", "'laneproof explain' lists all rules")]
)
def test_a_rule_that_is_none_ends_with_64(capsys: pytest.CaptureFixture[str], name: str, says: str) -> None:
    assert main(["explain", name]) == os.EX_USAGE
    assert says in capsys.readouterr().err
