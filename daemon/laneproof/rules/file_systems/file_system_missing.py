"""file-system-missing: whether each declared file system is mounted."""

from collections.abc import Iterator

from laneproof.advice import advise
from laneproof.findings import Finding, Kind, Severity
from laneproof.rules.file_systems.mounts import declared_file_systems, tidy
from laneproof.rules.rule import Pass, Rule, differs, holds
from laneproof_collectors.unread import Unread


def _judge(current: Pass) -> Iterator[Finding]:
    plans = declared_file_systems(current.build)
    if isinstance(current.snapshot.file_systems, Unread):
        for mount in plans:
            yield FILE_SYSTEM_MISSING.report_unverified(
                current.snapshot.file_systems, about=f"file system {mount}", key=mount
            )
        return
    there = {tidy(file_system.mount) for file_system in current.snapshot.file_systems}
    for mount in plans:
        if mount not in there:
            yield FILE_SYSTEM_MISSING.report(
                severity=Severity.CRITICAL,
                key=mount,
                summary=f"file system {mount} is declared, and none of the box's disks is mounted there",
                declared="mounted",
                observed="not mounted",
                evidence={"mounted": sorted(there)},
            )


FILE_SYSTEM_MISSING = Rule(
    name="file-system-missing",
    kind=Kind.DIFFERS,
    statement="Each declared file system is mounted, from the box's own disks.",
    why=(
        "Where an archive is not mounted, what is written for it lands in the folder beneath, on the system's own "
        "drive: it fills that one, is seen by nobody, and is hidden when the archive comes back."
    ),
    next_steps=advise(
        "Stop what writes there before anything else.",
        "See why it is not mounted: its array (array-degraded, array-differs), 'systemctl status', the kernel's log.",
        "Look beneath the mount point for what was written meanwhile, before it is mounted over.",
    ),
    judge=_judge,
    examples=(
        holds("it is mounted"),
        differs(
            "nothing is mounted there",
            "file system /srv/archive is declared, and none of the box's disks is mounted there",
        ),
    ),
    sources=("proc_pid_mountinfo(5)",),
)
