"""What is one message: a case; several of one slot or supply that share a cause; an array with its lost member."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from laneproof.diagnosis.weights import CauseName
from laneproof.findings import Cause, Finding, Severity, order_findings
from laneproof.outputs.cases import ShownCase, group_cases
from laneproof.outputs.cases_json import PositionFacts


@dataclass(frozen=True, slots=True, kw_only=True)
class ReportedCase:
    """What one message is about: findings with one cause, of one or several positions.

    Attributes:
        findings: What was found, the most severe first.
        slot: The slot, where positions of it have the same trouble.
    """

    findings: tuple[Finding, ...]
    slot: str = ""

    @property
    def severity(self) -> Severity:
        """That of the most severe finding."""
        return self.findings[0].severity

    @property
    def severities(self) -> dict[str, Severity]:
        """The severity of each finding, by its identity as text."""
        return {identify(finding): finding.severity for finding in self.findings}

    @property
    def subjects(self) -> tuple[str, ...]:
        """The positions or other things that it is about."""
        return tuple(dict.fromkeys(finding.position or finding.subject for finding in self.findings))

    @property
    def about(self) -> str:
        """What it is about, for a headline: ``riser-3``, or ``riser: riser-1, riser-2``."""
        named = ", ".join(self.subjects)
        return f"{self.slot}: {named}" if self.slot else named

    @property
    def rules(self) -> tuple[str, ...]:
        """The rules that spoke, each once."""
        return tuple(dict.fromkeys(finding.rule for finding in self.findings))

    @property
    def causes(self) -> tuple[Cause, ...]:
        """The causes that its findings share."""
        return ShownCase(findings=self.findings).causes

    @property
    def cause(self) -> str:
        """The likeliest cause; empty where none is named."""
        return self.causes[0].cause if self.causes else ""


def identify(finding: Finding) -> str:
    """Give a finding's identity as one text."""
    return " ".join(finding.identity)


def collect_cases(findings: Sequence[Finding], positions: Mapping[str, PositionFacts]) -> list[ReportedCase]:
    """Collect findings that stand, without what is accepted, into cases, the most severe first."""
    groups: dict[tuple[str, ...], list[ShownCase]] = {}
    for case in group_cases(order_findings(findings)):
        groups.setdefault(_find_group(case, positions), []).append(case)
    _join_arrays(groups)
    return [
        ReportedCase(
            findings=tuple(order_findings(finding for case in cases for finding in case.findings)),
            slot=key[1] if key[0] == "slot" and len(positions.keys() & {case.about for case in cases}) > 1 else "",
        )
        for key, cases in groups.items()
    ]


def _find_group(case: ShownCase, positions: Mapping[str, PositionFacts]) -> tuple[str, ...]:
    cause = case.causes[0].cause if case.causes else ""
    if cause == CauseName.SHARED_SUPPLY:
        return "box", cause
    facts = positions.get(case.about)
    if facts is not None and facts.slot:
        return "slot", facts.slot, cause or case.findings[0].rule
    return "alone", case.about, cause, *((case.findings[0].rule, case.findings[0].key) if not cause else ())


def _join_arrays(groups: dict[tuple[str, ...], list[ShownCase]]) -> None:
    """Put an array that lost members beside the trouble of the positions that they were in."""
    for key, cases in list(groups.items()):
        lost = {label for case in cases for finding in case.findings for label in finding.evidence.get("out_of_it", ())}
        trouble = (other for other, its in groups.items() if other != key and any(case.about in lost for case in its))
        if (other := next(trouble, None)) is not None:
            groups[other] += groups.pop(key)
