"""What could not be read, as a finding: never fine, and with what to do about it."""

from collections.abc import Mapping
from types import MappingProxyType
from typing import Any

from laneproof.findings import Finding, Kind, Severity
from laneproof_collectors.unread import Reason, Unread

AS_ROOT = "Run the audit as the service does, or as root."
SHORT_OF = (
    "This says nothing of the machine: what reads it lacked files, memory or threads. Restart laneproof.service; if it "
    "comes back, raise LimitNOFILE=, MemoryMax= or TasksMax= of the unit (in a shell: ulimit -n 1024)."
)
LEFT_ALONE = "It was left alone on purpose and not woken for a reading; it is judged when it is awake."
STEP_BY_REASON = {
    Reason.DENIED: AS_ROOT,
    Reason.EXHAUSTED: SHORT_OF,
    Reason.NOT_ASKED: LEFT_ALONE,
    Reason.ABSENT: "The machine does not offer this reading; no other rights would give it.",
    Reason.GONE: "It stopped answering while it was read: audit again, and see what else is reported of it.",
    Reason.TIMED_OUT: "It gave no answer in time: audit again; a reading that stays away is reported by reading-stuck.",
    Reason.REFUSED: "The device itself refused: see whether its maker has newer firmware, and what smartctl says.",
}
LOOK_CLOSER = "The answer was not what it should be; 'laneproof record FILE' keeps it for a closer look."


def step_for(gap: Unread) -> str:
    """Give the step that fits the reason why something could not be read: rights are advised only where they lack."""
    return STEP_BY_REASON.get(gap.reason, LOOK_CLOSER)


def cannot_tell(  # noqa: PLR0913 (what a finding is)
    rule: str,
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
    """Make the finding of what could not be read.

    Args:
        rule: The rule's id.
        gap: What could not be read, and why.
        about: What could not be verified, as a person would name it.
        key: What it is about, apart from names that move.
        position: The declared position's label, None where it is about none.
        subject: The finding's subject; None: the same as `about`.
        why: The reason in words; None: that of the gap.
        declared: What was declared, as text.
        evidence: More than what could not be read.
        next_steps: What to do; None: what fits the reason.
    """
    return Finding(
        rule=rule,
        kind=Kind.UNVERIFIED,
        severity=Severity.NOTICE,
        position=position,
        subject=subject or about,
        key=key,
        summary=f"{about} could not be verified: {why or gap}",
        declared=declared,
        evidence={"unread": str(gap), **evidence},
        next_steps=(step_for(gap),) if next_steps is None else next_steps,
    )
