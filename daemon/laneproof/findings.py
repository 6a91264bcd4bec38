"""A finding: one judgement by one rule about one subject, and what became of it from pass to pass.

The words are those of the audit's JSON. Nothing here computes a judgement; rules make findings, outputs read them.
"""

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from enum import StrEnum
from typing import Any


class Kind(StrEnum):
    """What a finding says: it differs from the declaration, it is a sign of failure, or it could not be read."""

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


_EVENT_COUNT_KEYS = (
    "episodes", "minutes_with_errors", "new_errors", "falls", "short_boots", "transitions_in_a_week", "spells",
    "unsafe_shutdowns", "warning_minutes_in_a_week",
)  # fmt: skip
"""Keys of `Finding.evidence` under which rules count the events behind a sign; the first that is there is used."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Figures:
    """The figures behind a sign, in one form for all rules; None where the rule gives no such figure."""

    events: float | None  # how many events, in the time that the rule considers
    chance: float | None  # how likely as many are by chance alone (p)
    # their rate over that of siblings or of before: the estimate, its lower and its upper bound
    ratio: tuple[float | None, ...]
    share: tuple[float | None, ...]  # the share of tries in which they happened, likewise
    days_left: tuple[float | None, ...]  # the days until a drive's rated life is used, likewise
    trial_days: tuple[float | None, ...]  # of a fix on trial, the clean days needed, and those still to come

    @classmethod
    def of(cls, evidence: Mapping[str, Any]) -> "Figures":
        """Read the figures of a finding's evidence; what is not a number becomes None."""
        ratio, share = (_numbers(evidence.get(key)) for key in ("ratio_bounds", "share_bounds"))
        trial = evidence.get("trial")
        return cls(
            events=next((count for count in _numbers(map(evidence.get, _EVENT_COUNT_KEYS)) if count is not None), None),
            chance=_number(evidence.get("p", evidence.get("laplace_p"))),
            ratio=(_number(evidence.get("ratio", evidence.get("worst_ratio"))), *ratio),
            share=(None, *share),
            days_left=_numbers(map(evidence.get, ("days_left", "days_left_at_least", "days_left_at_most"))),
            trial_days=_numbers(map(trial.get, ("needed_days", "remaining_days")))
            if isinstance(trial, Mapping)
            else (),
        )


def _number(value: object) -> float | None:
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        return None
    return value


def _numbers(values: object) -> tuple[float | None, ...]:
    return tuple(map(_number, values)) if isinstance(values, Iterable) and not isinstance(values, str) else ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """One judgement."""

    rule: str
    kind: Kind
    severity: Severity
    position: str | None = None  # the declared position's label, or None where it is about something else
    subject: str  # what it is about now: a PCI address, a device's name, a setting
    summary: str
    declared: str | None = None  # what was meant, as text, or None
    observed: str | None = None
    # what the finding is about, apart from bus addresses that move: a path, a serial number, a setting's name. With the
    # rule, and where there is no position, it is the finding's identity
    key: str = ""
    # figures behind the judgement (JSON values only); `figures` reads those of a sign
    evidence: Mapping[str, Any] = field(default_factory=dict)
    causes: tuple[Cause, ...] = ()
    next_steps: tuple[str, ...] = ()  # what to look at or do next, the first first, cautions included
    since: float | None = None  # when it was first raised, unix seconds; None without history
    accepted: str | None = None  # the owner's reason, where the declaration accepts this difference for now

    @property
    def identity(self) -> tuple[str, str]:
        """Rule, and position or else what stays with the thing when buses are renumbered.

        A rule may say one thing of one position: of two findings with one identity only the first is kept.
        """
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
    def figures(self) -> Figures:
        """The figures behind it, where it is a sign."""
        return Figures.of(self.evidence if self.kind is Kind.SIGN else {})

    @property
    def missing_branches(self) -> tuple[str, ...]:
        """The labels of the positions that a split slot no longer shows."""
        return tuple(self.evidence.get("missing_branches", ()))

    @property
    def shared_by(self) -> tuple[str, ...]:
        """Of a machine-wide setting that differs: the labels of the positions that it affects."""
        return tuple(self.evidence.get("shared_by", ()))

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
                {"cause": cause.cause, "probability": round(cause.probability, 4), "because": list(cause.because)}
                for cause in self.causes
            ],
            "next_steps": list(self.next_steps),
            "since": None if self.since is None else format_time(self.since),
            **({} if self.accepted is None else {"accepted": self.accepted}),
        }


def format_time(unix_seconds: float) -> str:
    """Give an instant as RFC 3339 text in UTC, whole seconds."""
    return datetime.fromtimestamp(unix_seconds, UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def write_time(unix_seconds: float) -> str:
    """Write an instant for people, to the minute: ``2026-09-21 14:13 UTC``."""
    return datetime.fromtimestamp(unix_seconds, UTC).strftime("%Y-%m-%d %H:%M UTC")


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
    """Sort for reading: the most severe first, differences before signs before what is unverified, then by position."""
    kinds = list(Kind)
    return sorted(
        findings,
        key=lambda finding: (
            -finding.severity.rank,
            kinds.index(finding.kind),
            finding.position or "~",
            finding.rule,
            finding.key,
        ),
    )


def verdict(findings: Iterable[Finding], *, declared: bool) -> str:
    """Sum up: ``differs`` (signs too), else ``unverified``, else ``holds``. An accepted difference does not count.

    Where no declaration was compared with (`declared`), nothing can be said to hold.
    """
    kinds = {finding.kind for finding in findings if finding.accepted is None}
    if kinds & {Kind.DIFFERS, Kind.SIGN}:
        return "differs"
    return "unverified" if Kind.UNVERIFIED in kinds or not declared else "holds"
