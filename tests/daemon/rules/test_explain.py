"""Each rule's page, and the reference that holds them all."""

from pathlib import Path

import pytest

from laneproof.advice import MOST_STEPS, split_step
from laneproof.rules import RULES
from laneproof.rules.explain import WIDTH, explain, write_findings
from laneproof.rules.rule import Rule

DOCUMENT = Path(__file__).resolve().parents[3] / "docs" / "findings.md"


@pytest.mark.parametrize("rule", RULES, ids=lambda rule: rule.name)
def test_page_tells_what_holds_why_and_what_next_in_80_columns(rule: Rule) -> None:
    page = explain(rule.name)
    words = " ".join(page.split())
    assert page.startswith(f"# {rule.name}\n")
    steps = [split_step(step) for step in rule.next_steps]
    assert 1 <= len([step for step in steps if step.says]) <= MOST_STEPS
    for text in (
        rule.statement,
        rule.why,
        *(step.says for step in steps),
        *(text for _, *texts in rule.examples for text in texts),
    ):
        assert " ".join(text.split()) in words
    for caution in {caution for step in steps for caution in step.cautions}:
        assert words.count(caution) == 1
    # a textual mark or two may be wider in bytes, but no line is longer than the terminal
    assert max(map(len, page.splitlines())) <= WIDTH


def test_unknown_rule_has_no_page() -> None:
    with pytest.raises(KeyError, match="link-fast"):
        explain("link-fast")


def test_reference_of_findings_is_up_to_date() -> None:
    assert DOCUMENT.read_text(encoding="utf-8") == write_findings(), (
        "write it again: PYTHONPATH=daemon:collectors python -m laneproof.rules.explain >docs/findings.md"
    )
