"""reading-stuck: a question that the machine does not answer in time."""

from collections.abc import Iterator
from dataclasses import replace
from typing import Any

from laneproof.advice import BACK_UP, LIVE_DRIVE, Step, advise
from laneproof.findings import Finding, Kind, Severity
from laneproof.rules.readings.reading_incomplete import GROUPS
from laneproof.rules.rule import Pass, Rule
from laneproof.rules.sign_subjects import stood
from laneproof_collectors.unread import Reason, Unread

LONG_SECONDS = 600.0
"""A reading that stays away this long is worth an alarm. Judgement."""

_OF_CONTROLLER = ("health", "identity", "autonomous_transitions", "state")


def _judge(current: Pass) -> Iterator[Finding]:
    for group, (name, _) in GROUPS.items():
        gap = getattr(current.snapshot, group)
        if _is_stuck(gap):
            summary = f"{name} did not answer in time: {gap.why}"
            yield _report(current, summary=summary, subject=name, key=group, evidence={"unread": gap})
    for occupant in current.arrangement.drives:
        parts = [getattr(occupant.controller, name) for name in _OF_CONTROLLER] if occupant.controller else []
        gap = next((part for part in parts if _is_stuck(part)), None)
        if gap is not None:
            yield _report(
                current,
                summary=f"{current.arrangement.full_name(occupant)} did not answer in time: {gap}",
                subject=occupant.name,
                key=occupant.path,
                position=current.arrangement.label_by_path.get(occupant.path),
                evidence={"unread": gap, "path": occupant.path},
            )


def _is_stuck(value: object) -> bool:
    return isinstance(value, Unread) and value.reason is Reason.TIMED_OUT


def _report(current: Pass, **facts: Any) -> Finding:  # noqa: ANN401 (what a finding is)
    """Report what does not answer: a notice, and an alarm once it has lasted."""
    finding = READING_STUCK.report(severity=Severity.NOTICE, observed="no answer in time", **facts)
    before = stood(current.past, finding.identity)
    since = before.since if before is not None else None
    lasts = since is not None and current.snapshot.taken_at - since >= LONG_SECONDS
    return replace(finding, severity=Severity.WARNING) if lasts else finding


READING_STUCK = Rule(
    name="reading-stuck",
    kind=Kind.SIGN,
    statement="Each reading comes back in time.",
    why=(
        "A drive that answers commands late, or a driver that hangs, shows first in readings that do not come back. "
        "The others go on meanwhile; what was not read is unverified, never fine. A notice at first, and worth an "
        "alarm after ten minutes. The sign clears with the first answer."
    ),
    look_next=advise(
        BACK_UP,
        "See the kernel's log for time-outs of the same drive.",
        Step("Leave the drive alone until it has answered.", (LIVE_DRIVE,)),
    ),
    judge=_judge,
    examples=(
        ("holds", "everything answers"),
        (
            "sign",
            "a drive's health log does not come back",
            "riser-1 (nvme0) did not answer in time: could not read log 02h of nvme0: no answer within 5 s",
        ),
    ),
    sources=("Linux drivers/nvme/host/core.c: admin commands time out after 60 s", "Ten minutes: judgement"),
)
