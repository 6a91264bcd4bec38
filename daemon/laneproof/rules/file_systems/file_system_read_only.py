"""file-system-read-only: file systems that turned read-only."""

from collections.abc import Iterator

from laneproof.advice import advise
from laneproof.findings import Finding, Kind, Severity
from laneproof.past.box_record import mount_key
from laneproof.rules.file_systems.mounts import ALWAYS_FULL, declared_file_systems, tidy
from laneproof.rules.rule import Pass, Rule, holds, sign
from laneproof_collectors.snapshot import MountedFileSystem
from laneproof_collectors.unread import Reason, Unread, if_read


def _judge(current: Pass) -> Iterator[Finding]:
    plans = declared_file_systems(current.build)
    for file_system in if_read(current.snapshot.file_systems):
        plan = plans.get(tidy(file_system.mount))
        if (plan and plan.read_only) or file_system.kind in ALWAYS_FULL:
            continue
        if isinstance(file_system.read_only, Unread):
            yield FILE_SYSTEM_READ_ONLY.report_unverified(
                file_system.read_only,
                about=f"whether {file_system.mount} can be written",
                key=file_system.mount,
            )
        elif file_system.read_only and file_system.declared_read_only is not True:
            boot = current.past.box.writable.get(mount_key(file_system.device, file_system.mount))
            was_writable = boot is not None and boot == current.snapshot.boot_id
            if (
                file_system.declared_read_only is False
                or was_writable
                or (plan is not None and plan.read_only is False)
            ):
                yield _report_read_only(file_system, was_writable=was_writable)
            else:
                why = "it is read-only now; whether it was mounted so on purpose cannot be seen from a sandbox"
                gap = Unread(f"how {file_system.mount} was mounted", why, Reason.DENIED)
                steps = ("If it is meant so, declare it: [[file_system]] with read_only = true.",)
                about = f"whether {file_system.mount} can be written"
                yield FILE_SYSTEM_READ_ONLY.report_unverified(
                    gap, about=about, why=why, key=file_system.mount, next_steps=steps
                )


def _report_read_only(file_system: MountedFileSystem, *, was_writable: bool) -> Finding:
    if was_writable:
        seen = "turned read-only: it could be written earlier in this boot"
    elif file_system.declared_read_only is False:
        seen = "turned read-only: it was not mounted so"
    else:
        seen = "is read-only, declared writable"
    where = f"{file_system.kind} on {file_system.device}"
    return FILE_SYSTEM_READ_ONLY.report(
        severity=Severity.CRITICAL,
        key=file_system.mount,
        summary=f"file system {file_system.mount} ({where}) {seen}",
        declared="writable",
        observed="read-only",
        evidence={"device": file_system.device, "kind": file_system.kind, "was_writable_in_this_boot": was_writable},
    )


FILE_SYSTEM_READ_ONLY = Rule(
    name="file-system-read-only",
    kind=Kind.SIGN,
    statement="No file system turned read-only by itself.",
    why=(
        "A file system turns read-only when it can no longer trust what is below it. Recordings stop at that moment, "
        "while everything that only reads goes on as if nothing had happened."
    ),
    next_steps=advise(
        "Read the kernel's log for the first error before it; look at the findings of its drive, link and array.",
        "Do not remount it writable: first make sure that a good backup exists, and that drive and link are sound.",
        "Check it unmounted, with the file system's own tool and by its manual; a forced repair can lose more.",
    ),
    judge=_judge,
    examples=(
        holds("it can be written"),
        holds("it was mounted read-only on purpose"),
        sign(
            "its own super block turned read-only, its mount did not ask for it",
            "file system /srv/archive (xfs on /dev/md0) turned read-only: it was not mounted so",
        ),
    ),
    sources=("proc_pid_mountinfo(5): the mount's options and the super block's", "mount(8): errors=remount-ro"),
)
