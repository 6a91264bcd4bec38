"""What a rule is: a small pure function with a name, a statement of what should hold, and the texts that explain it."""

from collections.abc import Callable, Collection, Iterator, Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import Any

from laneproof.box.placement import Arrangement, arrange
from laneproof.declaration.build import Build
from laneproof.findings import Cause, Finding, Kind, Severity
from laneproof.past.past import NO_PAST, Past
from laneproof.rules.unread_steps import step_for
from laneproof_collectors.snapshot import GROUPS, Snapshot
from laneproof_collectors.unread import Unread


@dataclass(frozen=True, slots=True, kw_only=True)
class Pass:
    """One pass, as every rule sees it: made once, and nobody changes it.

    Attributes:
        build: The declaration, None where there is none.
        snapshot: The facts.
        arrangement: The declaration laid over the facts.
        past: What is known of earlier passes.
        read_again: The groups of facts that were read in this pass; the others stand as they were read before.
        declaration_problem: Why the newest declaration is not in force, None where it is.
    """

    build: Build | None
    snapshot: Snapshot
    arrangement: Arrangement
    past: Past = NO_PAST
    read_again: Collection[str] = GROUPS
    declaration_problem: str | None = None

    @classmethod
    def of(cls, build: Build | None, snapshot: Snapshot, past: Past = NO_PAST) -> "Pass":
        """Make the pass of a snapshot that was read as a whole."""
        return cls(build=build, snapshot=snapshot, arrangement=arrange(build, snapshot), past=past)


Judge = Callable[[Pass], Iterator[Finding]]
Example = tuple[str, ...]
"""What comes of it (``holds``, or the findings' kind), the case in words, and each finding's summary."""


def holds(case: str) -> Example:
    """Give an example of a box of which a rule says nothing."""
    return ("holds", case)


def differs(case: str, *summaries: str) -> Example:
    """Give an example of a difference."""
    return (Kind.DIFFERS, case, *summaries)


def sign(case: str, *summaries: str) -> Example:
    """Give an example of a sign of failure."""
    return (Kind.SIGN, case, *summaries)


def unverified(case: str, *summaries: str) -> Example:
    """Give an example of what could not be read."""
    return (Kind.UNVERIFIED, case, *summaries)


@dataclass(frozen=True, slots=True, kw_only=True)
class Rule:
    """One rule.

    Attributes:
        name: Its kebab-case id.
        kind: What it says when it speaks: differs or sign (any rule can say unverified).
        statement: One line: what should hold.
        why: Why it matters, a short paragraph.
        next_steps: What to look at next, in order, with cautions.
        judge: The function.
        examples: What holds and what does not; the rule's tests hold them true.
        sources: Standards, documents; or 'common practice, no source'.
    """

    name: str
    kind: Kind
    statement: str
    why: str
    next_steps: tuple[str, ...]
    judge: Judge
    examples: tuple[Example, ...] = ()
    sources: tuple[str, ...] = ()

    def report(  # noqa: PLR0913 (what a finding is)
        self,
        *,
        severity: Severity,
        key: str,
        summary: str,
        subject: str | None = None,
        position: str | None = None,
        declared: str | None = None,
        observed: str | None = None,
        evidence: Mapping[str, Any] = MappingProxyType({}),
        causes: tuple[Cause, ...] = (),
        next_steps: tuple[str, ...] | None = None,
    ) -> Finding:
        """Make a finding of this rule; without `subject` the key is it, without `next_steps` the rule's own are."""
        return Finding(
            rule=self.name,
            kind=self.kind,
            severity=severity,
            position=position,
            subject=key if subject is None else subject,
            summary=summary,
            declared=declared,
            observed=observed,
            key=key,
            evidence=_as_json(evidence),
            causes=causes,
            next_steps=self.next_steps if next_steps is None else next_steps,
        )

    def report_unverified(  # noqa: PLR0913 (what a finding is)
        self,
        gap: Unread,
        *,
        about: str,
        key: str,
        position: str | None = None,
        subject: str | None = None,
        why: str | None = None,
        declared: str | None = None,
        evidence: Mapping[str, Any] = MappingProxyType({}),
        next_steps: tuple[str, ...] | None = None,
    ) -> Finding:
        """Make this rule's *unverified* finding of what could not be read, with what to do about it.

        `about` names for a person what could not be verified; without `subject` it is the subject too. Without `why`
        the gap's own reason is given, and without `next_steps` the step that fits it.
        """
        finding = self.report(
            severity=Severity.NOTICE,
            position=position,
            subject=subject or about,
            key=key,
            summary=f"{about} could not be verified: {why or gap}",
            declared=declared,
            evidence={"unread": str(gap), **evidence},
            next_steps=(step_for(gap),) if next_steps is None else next_steps,
        )
        return replace(finding, kind=Kind.UNVERIFIED)


def _as_json(evidence: Mapping[str, Any]) -> dict[str, Any]:
    """Give evidence as JSON has it; what could not be read as its sentence."""
    return {
        name: str(value) if isinstance(value, Unread) else _as_json(value) if isinstance(value, Mapping) else value
        for name, value in evidence.items()
    }
