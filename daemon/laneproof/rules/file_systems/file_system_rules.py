"""file-system-missing, file-system-full and file-system-read-only: whether the archive can take what comes.

Without a declaration only what needs none is judged: a file system that is nearly full, or that turned read-only.
"""

from collections.abc import Iterator

from laneproof.declaration.build import Build
from laneproof.declaration.tables import DeclaredFileSystem
from laneproof.declaration.units import format_bytes
from laneproof.findings import Finding, Kind, Severity
from laneproof.past.box_record import mount_key
from laneproof.past.past import Past
from laneproof.rules.cannot_tell import cannot_tell
from laneproof.rules.example_box import Box
from laneproof.rules.rule import Example, Rule
from laneproof_collectors.snapshot import MountedFileSystem, Snapshot
from laneproof_collectors.unread import Reason, Unread

MISSING, FULL, READ_ONLY = "file-system-missing", "file-system-full", "file-system-read-only"

_FULL_ABOVE, _CRITICAL_ABOVE = 0.90, 0.98
"""Copy-on-write file systems slow down and fragment from about nine tenths on. Common practice, no source."""
_ALWAYS_FULL = ("squashfs", "erofs", "iso9660", "udf", "cramfs")  # made full, and never written


def _plans(build: Build | None) -> dict[str, DeclaredFileSystem]:
    return {_tidy(one.mount): one for one in (build.file_system if build else ())}


def _tidy(mount: str) -> str:
    return mount.rstrip("/") or "/"


def _mounted(snapshot: Snapshot) -> tuple[MountedFileSystem, ...]:
    return () if isinstance(snapshot.file_systems, Unread) else snapshot.file_systems


# --- file-system-missing ----------------------------------------------------------------------------------------------


def _judge_missing(build: Build | None, snapshot: Snapshot, _past: Past) -> Iterator[Finding]:
    plans = _plans(build)
    if isinstance(snapshot.file_systems, Unread):
        for mount in plans:
            yield cannot_tell(MISSING, snapshot.file_systems, about=f"file system {mount}", key=mount)
        return
    there = {_tidy(one.mount) for one in snapshot.file_systems}
    for mount in plans:
        if mount not in there:
            yield Finding(
                rule=MISSING,
                kind=Kind.DIFFERS,
                severity=Severity.CRITICAL,
                subject=mount,
                key=mount,
                summary=f"file system {mount} is declared, and none of the box's disks is mounted there",
                declared="mounted",
                observed="not mounted",
                evidence={"mounted": sorted(there)},
                next_steps=FILE_SYSTEM_MISSING.look_next,
            )


# --- file-system-full -------------------------------------------------------------------------------------------------


def _judge_full(build: Build | None, snapshot: Snapshot, _past: Past) -> Iterator[Finding]:
    plans = _plans(build)
    for one in _mounted(snapshot):
        plan = plans.get(_tidy(one.mount))
        limit = plan.full_above if plan else None
        if one.kind in _ALWAYS_FULL or (limit is None and one.read_only is True):
            continue  # nothing is written to it
        share = one.used_share
        if isinstance(share, Unread):
            yield cannot_tell(FULL, share, about=f"how full {one.mount} is", key=one.mount)
        elif share is not None and share > (_FULL_ABOVE if limit is None else limit):
            yield _tell_full(one, share, limit)


def _tell_full(one: MountedFileSystem, share: float, limit: float | None) -> Finding:
    left = one.available_bytes if isinstance(one.available_bytes, int) else None
    room = "" if left is None else f", {format_bytes(left)} left"
    declared = "" if limit is None else f"; declared {limit:.0%} at most"
    severity = Severity.CRITICAL if share > _CRITICAL_ABOVE else Severity.NOTICE if limit is None else Severity.WARNING
    return Finding(
        rule=FULL,
        kind=Kind.SIGN,
        severity=severity,
        subject=one.mount,
        key=one.mount,
        summary=f"file system {one.mount} is {share:.0%} full{room}{declared}",
        declared=None if limit is None else f"at most {limit:.0%}",
        observed="nothing left to speak of" if severity is Severity.CRITICAL else "fuller",
        evidence={
            "device": one.device,
            "kind": one.kind,
            "used_share": round(share, 4),
            "available_bytes": left,
            "size_bytes": one.size_bytes if isinstance(one.size_bytes, int) else None,
        },
        next_steps=FILE_SYSTEM_FULL.look_next,
    )


# --- file-system-read-only --------------------------------------------------------------------------------------------


def _judge_read_only(build: Build | None, snapshot: Snapshot, past: Past) -> Iterator[Finding]:
    plans = _plans(build)
    for one in _mounted(snapshot):
        plan = plans.get(_tidy(one.mount))
        if (plan and plan.read_only) or one.kind in _ALWAYS_FULL:
            continue
        if isinstance(one.read_only, Unread):
            yield cannot_tell(READ_ONLY, one.read_only, about=f"whether {one.mount} can be written", key=one.mount)
        elif one.read_only and one.declared_read_only is not True:
            boot = past.box.writable.get(mount_key(one.device, one.mount))
            was_writable = boot is not None and boot == snapshot.boot_id
            if one.declared_read_only is False or was_writable or (plan is not None and plan.read_only is False):
                yield _tell_read_only(one, was_writable=was_writable)
            else:
                why = "it is read-only now; whether it was mounted so on purpose cannot be seen from a sandbox"
                gap = Unread(f"how {one.mount} was mounted", why, Reason.DENIED)
                steps = ("If it is meant so, declare it: [[file_system]] with read_only = true.",)
                about = f"whether {one.mount} can be written"
                yield cannot_tell(READ_ONLY, gap, about=about, key=one.mount, next_steps=steps)


def _tell_read_only(one: MountedFileSystem, *, was_writable: bool) -> Finding:
    before = "could be written earlier in this boot" if was_writable else "was not mounted so"
    return Finding(
        rule=READ_ONLY,
        kind=Kind.SIGN,
        severity=Severity.CRITICAL,
        subject=one.mount,
        key=one.mount,
        summary=f"file system {one.mount} ({one.kind} on {one.device}) turned read-only: it {before}",
        declared="writable",
        observed="read-only",
        evidence={"device": one.device, "kind": one.kind, "was_writable_in_this_boot": was_writable},
        next_steps=FILE_SYSTEM_READ_ONLY.look_next,
    )


# --- the rules --------------------------------------------------------------------------------------------------------

_BUILD = """
schema = 1
box.name = "kelp-1"
file_system = [{ mount = "/srv/archive", full_above = 0.8 }]
"""
_TB = 10**12


def _box(*, used: float = 0.4, mount: str = "/srv/archive", **flags: bool) -> Snapshot:
    flags = {"read_only": False, "declared_read_only": False} | flags
    left = round((1 - used) * 12 * _TB)
    one = MountedFileSystem(
        mount=mount,
        device="/dev/md0",
        kind="xfs",
        size_bytes=12 * _TB,
        available_bytes=left,
        free_bytes=left,
        read_only=flags["read_only"],
        declared_read_only=flags["declared_read_only"],
    )
    return Box().with_group(file_systems=(one,)).snapshot()


FILE_SYSTEM_MISSING = Rule(
    name=MISSING,
    kind=Kind.DIFFERS,
    statement="Each declared file system is mounted, from the box's own disks.",
    why=(
        "Where an archive is not mounted, what is written for it lands in the folder beneath, on the system's own "
        "drive: it fills that one, is seen by nobody, and is hidden when the archive comes back."
    ),
    look_next=(
        "Stop what writes there before anything else.",
        "See why it is not mounted: its array (array-degraded, array-differs), 'systemctl status', the kernel's log.",
        "Look beneath the mount point for what was written meanwhile, before it is mounted over.",
    ),
    judge=_judge_missing,
    examples=(
        Example(says="it is mounted", build=_BUILD, snapshot=_box, expect=()),
        Example(
            says="nothing is mounted there",
            build=_BUILD,
            snapshot=lambda: Box().snapshot(),
            expect=(Kind.DIFFERS,),
        ),
    ),
    sources=("proc_pid_mountinfo(5)",),
)

FILE_SYSTEM_FULL = Rule(
    name=FULL,
    kind=Kind.SIGN,
    statement="No file system is fuller than declared, or than nine tenths where nothing is declared.",
    why=(
        "A recording that finds no room is lost, and file systems that copy on write slow down, or cannot even delete, "
        "long before the last block is used."
    ),
    look_next=(
        "See what grew ('du -x --max-depth=2'), snapshots included: they hold what was deleted.",
        "Move what is archived elsewhere and verified there; delete nothing of which this is the only copy.",
        "For btrfs and ZFS leave a tenth free at least.",
    ),
    judge=_judge_full,
    examples=(
        Example(says="40 % are used", build=_BUILD, snapshot=_box, expect=()),
        Example(
            says="85 % are used, 80 % are declared",
            build=_BUILD,
            snapshot=lambda: _box(used=0.85),
            expect=(Kind.SIGN,),
        ),
        Example(
            says="95 % are used, and nothing is declared",
            build=None,
            snapshot=lambda: _box(used=0.95),
            expect=(Kind.SIGN,),
        ),
    ),
    sources=("statvfs(3), as psutil and df reckon it", "Nine tenths: common practice, no source"),
)

FILE_SYSTEM_READ_ONLY = Rule(
    name=READ_ONLY,
    kind=Kind.SIGN,
    statement="No file system turned read-only by itself.",
    why=(
        "A file system turns read-only when it can no longer trust what is below it. Recordings stop at that moment, "
        "while everything that only reads goes on as if nothing had happened."
    ),
    look_next=(
        "Read the kernel's log for the first error before it; look at the findings of its drive, link and array.",
        "Do not remount it writable: first make sure that a good backup exists, and that drive and link are sound.",
        "Check it unmounted, with the file system's own tool and by its manual; a forced repair can lose more.",
    ),
    judge=_judge_read_only,
    examples=(
        Example(says="it can be written", build=None, snapshot=_box, expect=()),
        Example(
            says="it was mounted read-only on purpose",
            build=None,
            snapshot=lambda: _box(read_only=True, declared_read_only=True),
            expect=(),
        ),
        Example(
            says="its own super block turned read-only, its mount did not ask for it",
            build=None,
            snapshot=lambda: _box(read_only=True),
            expect=(Kind.SIGN,),
        ),
    ),
    sources=("proc_pid_mountinfo(5): the mount's options and the super block's", "mount(8): errors=remount-ro"),
)
