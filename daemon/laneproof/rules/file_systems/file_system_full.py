"""file-system-full: whether the archive can take what comes."""

from collections.abc import Iterator

from laneproof.advice import advise
from laneproof.declaration.units import format_bytes
from laneproof.findings import Finding, Kind, Severity
from laneproof.rules.file_systems.mounts import ALWAYS_FULL, declared_file_systems, tidy
from laneproof.rules.rule import Pass, Rule, holds, sign
from laneproof_collectors.snapshot import MountedFileSystem
from laneproof_collectors.unread import Unread, if_read

_FULL_ABOVE, _CRITICAL_ABOVE = 0.90, 0.98
"""Copy-on-write file systems slow down and fragment from about nine tenths on. Common practice, no source."""


def _judge(current: Pass) -> Iterator[Finding]:
    plans = declared_file_systems(current.build)
    for file_system in if_read(current.snapshot.file_systems):
        plan = plans.get(tidy(file_system.mount))
        limit = plan.full_above if plan else None
        if file_system.kind in ALWAYS_FULL or (limit is None and file_system.read_only is True):
            continue  # nothing is written to it
        share = file_system.used_share
        if isinstance(share, Unread):
            yield FILE_SYSTEM_FULL.report_unverified(
                share, about=f"how full {file_system.mount} is", key=file_system.mount
            )
        elif share is not None and share > (_FULL_ABOVE if limit is None else limit):
            yield _report_full(file_system, share, limit)


def _report_full(file_system: MountedFileSystem, share: float, limit: float | None) -> Finding:
    left = file_system.available_bytes if isinstance(file_system.available_bytes, int) else None
    room = "" if left is None else f", {format_bytes(left)} left"
    declared = "" if limit is None else f"; declared {limit:.0%} at most"
    severity = Severity.CRITICAL if share > _CRITICAL_ABOVE else Severity.NOTICE if limit is None else Severity.WARNING
    return FILE_SYSTEM_FULL.report(
        severity=severity,
        key=file_system.mount,
        summary=f"file system {file_system.mount} is {share:.0%} full{room}{declared}",
        declared=None if limit is None else f"at most {limit:.0%}",
        observed="nothing left to speak of" if severity is Severity.CRITICAL else "fuller",
        evidence={
            "device": file_system.device,
            "kind": file_system.kind,
            "used_share": round(share, 4),
            "available_bytes": left,
            "size_bytes": file_system.size_bytes if isinstance(file_system.size_bytes, int) else None,
        },
    )


FILE_SYSTEM_FULL = Rule(
    name="file-system-full",
    kind=Kind.SIGN,
    statement="No file system is fuller than declared, or than nine tenths where nothing is declared.",
    why=(
        "A recording that finds no room is lost, and file systems that copy on write slow down, or cannot even delete, "
        "long before the last block is used."
    ),
    next_steps=advise(
        "See what grew ('du -x --max-depth=2'), snapshots included: they hold what was deleted.",
        "Move what is archived elsewhere and verified there; delete nothing of which this is the only copy.",
        "For btrfs and ZFS leave a tenth free at least.",
    ),
    judge=_judge,
    examples=(
        holds("40 % are used"),
        sign(
            "85 % are used, 80 % are declared", "file system /srv/archive is 85% full, 15 GB left; declared 80% at most"
        ),
        sign("95 % are used, and nothing is declared", "file system /srv/archive is 95% full, 5 GB left"),
    ),
    sources=("statvfs(3), as psutil and df reckon it", "Nine tenths: common practice, no source"),
)
