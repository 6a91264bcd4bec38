"""How a rule says that it could not tell: never as fine, and with what to do about it."""

from collections.abc import Mapping
from types import MappingProxyType
from typing import Any

from laneproof.findings import Finding, Kind, Severity
from laneproof_collectors.unread import Reason, Unread

AS_ROOT = "Run the audit as the service does, or as root."
LEFT_ALONE = "It was left alone on purpose and not woken for a reading; it is judged when it is awake."


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
    steps = (LEFT_ALONE,) if gap.reason is Reason.NOT_ASKED else (AS_ROOT,)
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
        next_steps=steps if next_steps is None else next_steps,
    )
