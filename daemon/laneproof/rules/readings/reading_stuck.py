"""reading-stuck: a question that the machine does not answer in time."""

from collections.abc import Iterator
from dataclasses import replace
from typing import Any

from laneproof.advice import BACK_UP, LIVE_DRIVE, OTHER_FIRMWARE, Step, advise
from laneproof.box.occupants import Occupant
from laneproof.declaration.units import format_bytes
from laneproof.findings import Finding, Kind, Severity
from laneproof.past.drives import DriveRecord
from laneproof.rules.readings.reading_incomplete import GROUPS
from laneproof.rules.rule import Pass, Rule, holds, sign
from laneproof.rules.sign_subjects import DAY, standing_sign
from laneproof_collectors.unread import Reason, Unread

LONG_SECONDS = 600.0
"""A reading that stays away this long is worth an alarm. Our choice."""

STILL_DAYS, STILL_BYTES = 3.0, 10e9
"""A health log that counts no read or write for so long and for so much stands still. Our choice: the log counts each
command, and data by thousands of 512 bytes, so 10 GB would move it 20,000 units. Source: NVM Express Base Specification
2.0, 5.16.1.3, Data Units Read and Host Read Commands."""
_STILL_STEPS = advise(
    BACK_UP,
    "Do not rely on what this drive says of its health meanwhile; the kernel's log and the array still show errors.",
    # Common practice, no source.
    "Shut down, wait a minute and start cold: a controller that hangs in part begins again.",
    OTHER_FIRMWARE,
)
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
        elif occupant.controller and (record := current.past.ledger.drives.of(occupant)) is not None:
            yield from _judge_still(current, occupant, record)


def _is_stuck(value: object) -> bool:
    return isinstance(value, Unread) and value.reason is Reason.TIMED_OUT


def _report(current: Pass, **facts: Any) -> Finding:
    """Report what does not answer: a notice, and an alarm once it has lasted."""
    finding = READING_STUCK.report(severity=Severity.NOTICE, observed="no answer in time", **facts)
    before = standing_sign(current.past, finding.identity)
    since = before.since if before is not None else None
    lasts = since is not None and current.snapshot.taken_at - since >= LONG_SECONDS
    return replace(finding, severity=Severity.WARNING) if lasts else finding


def _judge_still(current: Pass, occupant: Occupant, record: DriveRecord) -> Iterator[Finding]:
    """Judge a health log that stays as it was while the drive works: nothing in it can rise any more.

    Days count until it was last read; once it cannot be read, what was seen stands and grows no further.
    """
    still = record.still
    days = (record.answered_at - still.since) / DAY
    if not still.counts or days < STILL_DAYS or still.moved_bytes < STILL_BYTES:
        return
    is_unread = occupant.controller is None or isinstance(occupant.controller.health, Unread)
    unmoved = (
        f"had not moved for {days:.0f} days when last read" if is_unread else f"have not moved for {days:.0f} days"
    )
    yield READING_STUCK.report(
        severity=Severity.NOTICE,
        position=current.arrangement.label_by_path.get(occupant.path),
        subject=occupant.name,
        key=occupant.path,
        summary=(
            f"{current.arrangement.full_name(occupant)} keeps saying the same of its health: its counts of reads and "
            f"writes {unmoved}, while the kernel counted {format_bytes(still.moved_bytes)} read and written; "
            "its wear, spare and errors may be as old"
        ),
        observed="a health log that stands still",
        evidence={
            "path": occupant.path,
            "unchanged_since_at": current.past.ledger.timeline.to_wall(still.since),
            "moved_bytes": still.moved_bytes,
        },
        next_steps=_STILL_STEPS,
    )


READING_STUCK = Rule(
    name="reading-stuck",
    kind=Kind.SIGN,
    statement="Each reading comes back in time, and a drive's health log moves with its work.",
    why=(
        "A drive that answers commands late, or a driver that hangs, shows first in readings that do not come back. "
        "The others go on meanwhile; what was not read is unverified, never fine. A notice at first, and worth an "
        "alarm after ten minutes. The sign clears with the first answer. "
        "A health log that stands still for days while the drive reads and writes is a notice: no sign of wear or "
        "errors could show in it."
    ),
    next_steps=advise(
        BACK_UP,
        "See the kernel's log for time-outs of the same drive.",
        Step("Leave the drive alone until it has answered.", (LIVE_DRIVE,)),
    ),
    judge=_judge,
    examples=(
        holds("everything answers"),
        sign(
            "a drive's health log does not come back",
            "riser-1 (nvme0) did not answer in time: could not read log 02h of nvme0: no answer within 5 s",
        ),
        sign(
            "a drive reads and writes, and its health log stays as it was",
            "riser-1 (nvme0) keeps saying the same of its health: its counts of reads and writes have not moved "
            "for 4 days, while the kernel counted 40 GB read and written; its wear, spare and errors may be as old",
        ),
    ),
    sources=(
        "Linux drivers/nvme/host/core.c: admin commands time out after 60 s",
        "Ten minutes, three days and 10 GB: our choice",
        "NVM Express Base Specification 2.0, 5.16.1.3: Data Units Read and Written, Host Read and Write Commands",
    ),
)
