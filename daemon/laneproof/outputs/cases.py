"""What findings are about: one position or thing; those of one position that share a cause are shown as one case."""

from collections.abc import Sequence
from dataclasses import dataclass

from laneproof.diagnosis.weights import CauseName, say_cause
from laneproof.findings import Cause, Finding, Kind


@dataclass(frozen=True, slots=True, kw_only=True)
class ShownCase:
    """Findings that share a cause, shown as one, the most severe first."""

    findings: tuple[Finding, ...]

    @property
    def about(self) -> str:
        """The position's label, else what it is about."""
        return name_subject(self.findings[0])

    @property
    def kind(self) -> Kind:
        """Unverified only where nothing in it is more than that."""
        kinds = {finding.kind for finding in self.findings}
        return self.findings[0].kind if kinds == {Kind.UNVERIFIED} else next(iter(kinds - {Kind.UNVERIFIED}))

    @property
    def causes(self) -> tuple[Cause, ...]:
        """The causes that its findings share."""
        return max((finding.causes for finding in self.findings), key=len)


def name_subject(finding: Finding) -> str:
    """Name what a finding is about: its position, else the subject itself."""
    return finding.position or finding.subject


def say_likely(cause: str, probability: float) -> str:
    """Say the first of a finding's causes: ``likely cause: heat, 62%``."""
    undetermined = cause == CauseName.UNDETERMINED
    return "cause undetermined" if undetermined else f"likely cause: {say_cause(cause)}, {probability:.0%}"


def group_cases(ordered: Sequence[Finding]) -> list[ShownCase]:
    """Group findings into cases, by their most severe ones; a finding without a cause is a case by itself."""
    groups: dict[tuple[str, ...], list[Finding]] = {}
    for finding in ordered:
        key = name_subject(finding), finding.causes[0].cause if finding.causes else f"only {finding.rule} {finding.key}"
        groups.setdefault(key, []).append(finding)
    return [ShownCase(findings=tuple(group)) for group in groups.values()]
