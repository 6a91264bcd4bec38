"""A finding: one judgement by one rule about one subject, and what became of it from pass to pass.

The words are those of the audit's JSON. Nothing here computes a judgement; rules make findings, outputs read them.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from enum import StrEnum
from typing import Any


class Kind(StrEnum):
    """What a finding says: against the declaration, of coming failure, or that it could not be read."""

    DIFFERS = "differs"
    SIGN = "sign"
    UNVERIFIED = "unverified"


class Severity(StrEnum):
    """Syslog's words (RFC 5424, 6.2.1): a notice asks to be read, an alarm is a warning or worse."""

    NOTICE = "notice"
    WARNING = "warning"
    CRITICAL = "critical"

    @property
    def rank(self) -> int:
        """0 for a notice, 2 for critical: what to say first."""
        return (Severity.NOTICE, Severity.WARNING, Severity.CRITICAL).index(self)


@dataclass(frozen=True, slots=True, kw_only=True)
class Cause:
    """One possible cause, how likely it is given the evidence (0..1), and the reasons in words."""

    cause: str
    probability: float
    because: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """One judgement.

    Attributes:
        rule: The rule's id.
        kind: What it says.
        severity: How loud to say it.
        position: The declared position's label, or None where it is about something else.
        subject: What it is about now: a PCI address, a device's name, a setting.
        summary: One sentence with both values.
        declared: What was meant, as text, or None.
        observed: What is, as text, or None.
        key: What the finding is about, apart from bus addresses that move: a path, a serial number, a setting's name.
            With the rule, and where there is no position, it is the finding's identity.
        evidence: Figures behind the judgement (JSON values only).
        causes: Likely causes, the likeliest first.
        next_steps: What to look at or do next, the first first, cautions included.
        since: When it was first raised, unix seconds; None without history.
        accepted: The owner's reason, where the declaration accepts this difference for now.
    """

    rule: str
    kind: Kind
    severity: Severity
    position: str | None = None
    subject: str
    summary: str
    declared: str | None = None
    observed: str | None = None
    key: str = ""
    evidence: Mapping[str, Any] = field(default_factory=dict)
    causes: tuple[Cause, ...] = ()
    next_steps: tuple[str, ...] = ()
    since: float | None = None
    accepted: str | None = None

    @property
    def identity(self) -> tuple[str, str]:
        """Rule, and position or else what stays with the thing when buses are renumbered."""
        return self.rule, self.position or self.key or self.subject

    @property
    def path(self) -> str:
        """The path of the position or device that it is about, empty where it is about none."""
        path = self.evidence.get("path")
        return path if isinstance(path, str) else self.key if "/" in self.key else ""

    @property
    def serial(self) -> str:
        """The serial number of the drive that it is about, empty where it is not known."""
        serial = self.evidence.get("serial")
        return serial if isinstance(serial, str) else ""

    @property
    def reasons(self) -> tuple[str, ...]:
        """The rule's own reasons, by their codes, empty where it gives none."""
        reasons = self.evidence.get("reasons")
        return tuple(reasons) if isinstance(reasons, list | tuple) else ()

    @property
    def substance(self) -> tuple[object, ...]:
        """What must differ for the finding to count as changed: not the counts, which move at each pass."""
        first = self.causes[0].cause if self.causes else None
        return self.kind, self.severity, self.declared, self.observed, first

    def as_json(self) -> dict[str, Any]:
        """Give the finding as the audit's JSON has it."""
        return {
            "rule": self.rule,
            "kind": str(self.kind),
            "severity": str(self.severity),
            "position": self.position,
            "subject": self.subject,
            "summary": self.summary,
            "declared": self.declared,
            "observed": self.observed,
            "evidence": dict(self.evidence),
            "causes": [
                {"cause": one.cause, "probability": round(one.probability, 4), "because": list(one.because)}
                for one in self.causes
            ],
            "next_steps": list(self.next_steps),
            "since": None if self.since is None else format_time(self.since),
            **({} if self.accepted is None else {"accepted": self.accepted}),
        }


def format_time(unix_seconds: float) -> str:
    """Give an instant as RFC 3339 text in UTC, whole seconds."""
    return datetime.fromtimestamp(unix_seconds, UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


class Change(StrEnum):
    """What became of a finding between two passes."""

    RAISED = "raised"
    CHANGED = "changed"
    CLEARED = "cleared"


@dataclass(frozen=True, slots=True, kw_only=True)
class FindingChange:
    """One change, as a value: one place notifies, writes or prints it."""

    at: float
    change: Change
    finding: Finding


def order_findings(findings: Iterable[Finding]) -> list[Finding]:
    """Sort for reading: the loudest first, differences before signs before what is unverified, then by place."""
    kinds = list(Kind)
    return sorted(
        findings, key=lambda one: (-one.severity.rank, kinds.index(one.kind), one.position or "~", one.rule, one.key)
    )


def verdict(findings: Iterable[Finding], *, declared: bool) -> str:
    """Sum up: ``differs`` (signs too), else ``unverified``, else ``holds``. An accepted difference does not count.

    Args:
        findings: All of one pass.
        declared: Whether a declaration was compared with: where there was none, nothing can be said to hold.
    """
    kinds = {one.kind for one in findings if one.accepted is None}
    if kinds & {Kind.DIFFERS, Kind.SIGN}:
        return "differs"
    return "unverified" if Kind.UNVERIFIED in kinds or not declared else "holds"
