"""What a rule's page shows of its examples, held against what the rule says of the boxes that they speak of."""

from typing import NamedTuple

from laneproof.advice import CAUTIONS, MOST_STEPS, advise
from laneproof.past.past import NOTHING, Past
from laneproof.rules.rule import Pass, Rule
from laneproof_collectors.snapshot import Snapshot
from simulated_box import declare


class _Made(NamedTuple):
    case: str
    now: Pass
    expect: list[str]


def example(case: str, build: str | None, snapshot: Snapshot, *expect: str, past: Past = NOTHING) -> _Made:
    """Make the pass that an example of a rule's page speaks of.

    Args:
        case: The example's sentence, as the page has it.
        build: The declaration, as TOML text without its head; None for none.
        snapshot: The facts.
        expect: Each finding as ``notice nvme0 | See that fans``: severity, subject, how its first step begins.
        past: What is known of earlier passes.
    """
    return _Made(case, Pass.of(None if build is None else declare(build), snapshot, past), list(expect))


def check_examples(rule: Rule, *made: _Made) -> None:
    """Hold that each example of a rule's page is true, and that none is left out."""
    assert [case for case, _, _ in made] == [case for _, case, *_ in rule.examples]
    for (outcome, _, *summaries), (case, now, expect) in zip(rule.examples, made, strict=True):
        findings = list(rule.judge(now))
        assert [finding.summary for finding in findings] == summaries, case
        assert outcome == (", ".join(dict.fromkeys(finding.kind for finding in findings)) or "holds"), case
        assert len(findings) == len(expect), case
        for finding, words in zip(findings, expect, strict=True):
            head, _, step = words.partition(" | ")
            assert (finding.rule, f"{finding.severity} {finding.subject}") == (rule.name, head), case
            assert finding.next_steps[0].startswith(step), case
            steps = advise(*finding.next_steps)
            assert 0 < len(steps) <= MOST_STEPS, case
            assert not any(steps[0].startswith(caution) for caution in CAUTIONS.values()), case
