"""What a rule's page shows of its examples, held against what the rule says of the boxes that they speak of."""

from typing import NamedTuple

from boxes.simulated_past import quiet_snapshot
from boxes.snapshot_box import Box, declare
from laneproof.advice import CAUTIONS, MOST_STEPS, advise
from laneproof.findings import Finding
from laneproof.past.past import NO_PAST, Past
from laneproof.rules.rule import Pass, Rule
from laneproof_collectors.snapshot import Snapshot


def make_pass(text: str | None, facts: Box | Snapshot, past: Past = NO_PAST) -> Pass:
    """Make the pass of a box; the declaration's text needs no head, None is no declaration."""
    build = None if text is None else declare(text)
    return Pass.of(build, facts.snapshot() if isinstance(facts, Box) else facts, past)


def judge(rule: Rule, text: str | None, facts: Box | Snapshot, past: Past = NO_PAST) -> list[Finding]:
    """Give what a rule says of a box."""
    return list(rule.judge(make_pass(text, facts, past)))


_THE_RULES = "as the other examples of the rule"


class _Example(NamedTuple):
    given: Box | Snapshot | Past | Pass
    past: Past
    build: str | None
    expect: list[str]

    def make_pass(self, build: str | None) -> Pass:
        if isinstance(self.given, Pass):
            return self.given
        text = build if self.build is _THE_RULES else self.build
        facts = (quiet_snapshot(), self.given) if isinstance(self.given, Past) else (self.given, self.past)
        return make_pass(text, *facts)


def example(
    given: Box | Snapshot | Past | Pass, *expect: str, build: str | None = _THE_RULES, past: Past = NO_PAST
) -> _Example:
    """Give the box of an example of a rule's page; what it shows is said there, in a sentence.

    Args:
        given: The facts; or the past of a box that is in good order now; or all that the rule is given.
        expect: Each finding as ``notice nvme0 | See that fans``: severity, subject, how its first step begins.
        build: The declaration, where it is another than that of the rule's other examples; None for none.
        past: What is known of earlier passes.
    """
    return _Example(given, past, build, list(expect))


def check_examples(rule: Rule, build: str | None, *examples: _Example) -> None:
    """Hold that each example of a rule's page is true of its box, in the page's order, and that none is left out."""
    for (outcome, case, *summaries), made in zip(rule.examples, examples, strict=True):
        findings = list(rule.judge(made.make_pass(build)))
        assert [finding.summary for finding in findings] == summaries, case
        assert outcome == (", ".join(dict.fromkeys(finding.kind for finding in findings)) or "holds"), case
        assert len(findings) == len(made.expect), case
        for finding, expected in zip(findings, made.expect, strict=True):
            head, first_step = expected.split(" | ")
            assert (finding.rule, f"{finding.severity} {finding.subject}") == (rule.name, head), case
            assert finding.next_steps[0].startswith(first_step), case
            steps = advise(*finding.next_steps)
            assert 0 < len(steps) <= MOST_STEPS, case
            assert not any(steps[0].startswith(caution) for caution in CAUTIONS), case
