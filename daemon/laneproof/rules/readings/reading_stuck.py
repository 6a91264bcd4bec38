"""reading-stuck: a question that the machine does not answer in time."""

from collections.abc import Iterator
from dataclasses import replace

from laneproof.advice import BACK_UP, LIVE_DRIVE, Step, advise
from laneproof.box.placement import Arrangement
from laneproof.findings import Finding, Kind, Severity
from laneproof.past.past import Past
from laneproof.rules.rule import Pass, Rule
from laneproof_collectors.snapshot import Snapshot
from laneproof_collectors.unread import Reason, Unread

LONG_SECONDS = 600.0
"""A reading that stays away this long is worth an alarm. Judgement."""

_GROUPS = {
    "functions": "PCI functions",
    "controllers": "NVMe controllers",
    "power": "kernel power settings",
    "arrays": "arrays",
    "interfaces": "network interfaces",
    "bonds": "bonds",
    "thermal": "temperatures and fans",
    "drives": "SATA drives",
    "memory": "memory",
    "firmware": "board firmware",
    "file_systems": "file systems",
}
_OF_CONTROLLER = ("health", "identity", "autonomous_transitions", "state")


def _judge(current: Pass) -> Iterator[Finding]:
    for group, name in _GROUPS.items():
        gap = getattr(current.snapshot, group)
        if _is_stuck(gap):
            yield _age(_report(group, name, gap), current.snapshot, current.past)
    arrangement = current.arrangement
    for occupant in arrangement.drives:
        parts = [getattr(occupant.controller, name) for name in _OF_CONTROLLER] if occupant.controller else []
        stuck = next((part for part in parts if _is_stuck(part)), None)
        if stuck is not None:
            yield _age(_report_drive(arrangement, occupant.path, occupant.name, stuck), current.snapshot, current.past)


def _is_stuck(value: object) -> bool:
    return isinstance(value, Unread) and value.reason is Reason.TIMED_OUT


def _report(key: str, name: str, gap: Unread) -> Finding:
    return READING_STUCK.report(
        severity=Severity.NOTICE,
        subject=name,
        key=key,
        summary=f"{name} did not answer in time: {gap.why}",
        observed="no answer in time",
        evidence={"unread": str(gap)},
    )


def _report_drive(arrangement: Arrangement, path: str, name: str, gap: Unread) -> Finding:
    label = arrangement.label_by_path.get(path)
    found = _report(path, label or name, gap)
    return replace(
        found,
        position=label,
        subject=name,
        summary=f"{label or name} ({name}) did not answer in time: {gap}",
        evidence={**found.evidence, "path": path},
    )


def _age(finding: Finding, snapshot: Snapshot, past: Past) -> Finding:
    """Make it an alarm once it has lasted."""
    before = past.standing.get(finding.identity)
    since = before.since if before is not None and before.kind is Kind.SIGN else None
    lasts = since is not None and snapshot.taken_at - since >= LONG_SECONDS
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
