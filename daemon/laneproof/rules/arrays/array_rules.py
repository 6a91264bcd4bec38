"""array-differs and array-degraded: redundant arrays against the build, and whether they are whole.

A member that is missing because its position is empty is that position's matter; that the array runs without it is said
here all the same, since it decides what must not be touched. A member in a position that is not declared for it is told
by array-member-elsewhere.
"""

from collections.abc import Iterator

from laneproof.box.placement import Arrangement, arrange
from laneproof.declaration.build import Build
from laneproof.declaration.tables import DeclaredArray
from laneproof.findings import Finding, Kind, Severity
from laneproof.past.past import Past
from laneproof.rules.arrays.array_member_elsewhere import declared_disks
from laneproof.rules.arrays.member_positions import find_losses, is_lost
from laneproof.rules.cautions import DEGRADED_ARRAY, LIVE_DRIVE, OPEN_CASE
from laneproof.rules.example_box import Box
from laneproof.rules.rule import Example, Rule
from laneproof_collectors.snapshot import Array, Snapshot
from laneproof_collectors.unread import Reason, Unread

_WHOLE_POOL = "ONLINE"  # OpenZFS pool state; every other one is less than whole
_BROKEN_STATES = ("broken", "inactive", "clear")  # Documentation/admin-guide/md.rst, array_state
_NO_REDUNDANCY = ("raid0", "linear", "single")
_BTRFS_SPARED = {
    "single": 0, "dup": 0, "raid0": 0, "raid1": 1, "raid10": 1, "raid5": 1, "raid6": 2, "raid1c3": 2, "raid1c4": 3,
}  # fmt: skip


def _key(level: str) -> str:
    return "".join(level.split()).casefold()


# --- array-differs ----------------------------------------------------------------------------------------------------


def _judge_differs(build: Build | None, snapshot: Snapshot, _past: Past) -> Iterator[Finding]:
    if build is None or not build.array:
        return
    if isinstance(snapshot.arrays, Unread):
        names = ", ".join(one.name for one in build.array)
        yield _unverified("array-differs", f"arrays {names}", "arrays", snapshot.arrays)
        return
    arrangement = arrange(build, snapshot)
    for plan in build.array:
        array = next((one for one in snapshot.arrays if one.name == plan.name), None)
        if array is None:
            yield _tell_missing(arrangement, plan, snapshot.arrays)
        else:
            yield from _compare(arrangement, plan, array)


def _tell_missing(arrangement: Arrangement, plan: DeclaredArray, arrays: tuple[Array, ...]) -> Finding:
    wanted = {disk for label in plan.members for disk in _disks(arrangement, label)}
    other = next((one for one in arrays if wanted & {member.disk for member in one.members}), None)
    observed = f"no array {plan.name}" + (f"; its drives are in {other.name}" if other else "")
    return Finding(
        rule="array-differs",
        kind=Kind.DIFFERS,
        severity=Severity.WARNING if other else Severity.CRITICAL,
        subject=plan.name,
        key=plan.name,
        summary=f"array {plan.name} is declared, but there is {observed}",
        declared=plan.name,
        observed=observed,
        evidence={"array": plan.name, "arrays_found": [one.name for one in arrays]},
        next_steps=ARRAY_DIFFERS.look_next,
    )


def _disks(arrangement: Arrangement, label: str) -> tuple[str, ...]:
    placement = arrangement.by_label.get(label)
    return placement.occupant.disks if placement and placement.occupant and placement.is_occupied else ()


def _compare(arrangement: Arrangement, plan: DeclaredArray, array: Array) -> Iterator[Finding]:
    declared, observed, gaps = [], [], []
    if plan.level is not None:
        if isinstance(array.level, Unread):
            gaps.append(array.level)
        elif _key(array.level) != _key(plan.level):
            declared.append(plan.level)
            observed.append(array.level)
    if plan.members:
        missing, unknown = _find_missing(arrangement, plan, array)
        gaps += unknown
        if missing:
            declared.append(f"members {', '.join((*plan.members, *plan.spares))}")
            observed.append(f"without {', '.join(missing)}")
    if observed:
        yield Finding(
            rule="array-differs",
            kind=Kind.DIFFERS,
            severity=Severity.WARNING,
            subject=array.name,
            key=array.name,
            summary=f"array {array.name} is {', '.join(observed)}, declared {', '.join(declared)}",
            declared=", ".join(declared),
            observed=", ".join(observed),
            evidence={"array": array.name, "unread": [str(gap) for gap in gaps]},
            next_steps=ARRAY_DIFFERS.look_next,
        )
    elif gaps:
        yield _unverified("array-differs", f"array {array.name}", array.name, gaps[0])


def _find_missing(arrangement: Arrangement, plan: DeclaredArray, array: Array) -> tuple[list[str], list[Unread]]:
    """Give the declared positions whose drive is not in the array, and what is open.

    Those whose loss array-degraded tells, and those for which array-member-elsewhere names another drive, are left out.
    """
    inside = {member.disk for member in array.members}
    missing, unknown = [], []
    for label in (*plan.members, *plan.spares):
        placement = arrangement.by_label[label]
        disks = _disks(arrangement, label)
        if placement.unread is not None:
            unknown.append(placement.unread)
        elif placement.is_occupied and not disks:
            unknown.append(Unread(f"the disks of {label}", "its driver shows none", Reason.ABSENT))
        elif placement.is_occupied and not inside & set(disks):
            missing.append(label)
    expected = declared_disks(arrangement, plan)
    strangers = 0 if isinstance(expected, Unread) else len(inside - expected - {""})
    lost = count_lost(array)
    told_elsewhere = strangers + (lost if isinstance(lost, int) else 0)
    return [] if told_elsewhere >= len(missing) else missing, unknown


# --- array-degraded ---------------------------------------------------------------------------------------------------


def _judge_degraded(build: Build | None, snapshot: Snapshot, _past: Past) -> Iterator[Finding]:
    if isinstance(snapshot.arrays, Unread):
        return  # array-differs or reading-incomplete says so
    arrangement = arrange(build, snapshot)
    for array in snapshot.arrays:
        lost = count_lost(array)
        if isinstance(lost, Unread):
            yield _unverified("array-degraded", f"array {array.name}", array.name, lost)
        elif lost:
            yield _tell_degraded(arrangement, array, lost)


def count_lost(array: Array) -> int | Unread:
    """Count the members that an array runs without; 0 where it is whole.

    Args:
        array: An md array, btrfs file system or ZFS pool.

    Returns:
        The count, at least 1 where the state says that it is not whole; `Unread` where it cannot be told.

    Source: Documentation/admin-guide/md.rst (degraded, array_state, dev-*/state); OpenZFS pool states; fs/btrfs/sysfs.c
        (missing).
    """
    bad = sum(1 for member in array.members if is_lost(member))
    if array.kind == "zfs":
        return array.state if isinstance(array.state, Unread) else max(bad, int(array.state != _WHOLE_POOL))
    if isinstance(array.degraded, int) and array.degraded > 0:
        return array.degraded
    if bad or array.state in _BROKEN_STATES:
        return max(bad, 1)
    gaps = [array.degraded, array.state, *(member.state for member in array.members)]
    return next((gap for gap in gaps if isinstance(gap, Unread)), 0)


def count_spared(array: Array) -> int | None:
    """Count how many members an array of this level can lose at least; None for a level that is not known here.

    For mirrors of two copies on pairs (raid10) the least is one. btrfs keeps as many copies as its profile says,
    however many devices there are; of two profiles the lesser counts.

    Source: md(4); mkfs.btrfs(8), profiles (from memory).
    """
    if not isinstance(array.level, str):
        return None
    if array.kind == "btrfs":
        profiles = [_BTRFS_SPARED.get(_key(one)) for one in array.level.split("+")]
        return None if None in profiles else min(one for one in profiles if one is not None)
    level = _key(array.level)
    if level in _NO_REDUNDANCY:
        return 0
    if level in ("raid1", "mirror"):
        wanted = array.members_wanted
        return wanted - 1 if isinstance(wanted, int) else 1
    known = {"raid4": 1, "raid5": 1, "raid6": 2, "raid10": 1, "raidz1": 1, "raidz2": 2, "raidz3": 3}
    return known.get(level)


def _tell_degraded(arrangement: Arrangement, array: Array, lost: int) -> Finding:
    lost, out, keep = find_losses(arrangement, array, lost)
    spared = count_spared(array)
    left = None if spared is None else max(spared - lost, 0)
    # Of mirrored pairs more may go than the least that is sure.
    is_beyond = spared is not None and lost > spared and _key(str(array.level)) != "raid10"
    has_failed = array.state in _BROKEN_STATES or is_beyond
    level = array.level if isinstance(array.level, str) else array.kind
    wanted = array.members_wanted if isinstance(array.members_wanted, int) else None
    told = f"{lost} of {wanted} members" if wanted else f"{lost} member{'s' if lost > 1 else ''}"
    failed = f" (out of it: {', '.join(out)})" if out else ""
    touch = f"; do not touch {', '.join(keep)}" if keep else ""
    is_short = isinstance(array.degraded, int) and array.degraded > 0
    counted = is_short or any(map(is_lost, array.members))
    if counted:
        says = f"{_say_state(array, has_failed=has_failed)} without {told}{failed}{_progress(array)}"
        summary = f"{level} array {array.name} {says}{_say_margin(left, has_failed=has_failed)}{touch}"
    elif array.kind == "zfs":
        summary = f"zfs pool {array.name} is {array.state}, not {_WHOLE_POOL}; 'zpool status' tells of which member"
    else:
        summary = f"{level} array {array.name} is {array.state}{_say_margin(left, has_failed=True)}{touch}"
    return Finding(
        rule="array-degraded",
        kind=Kind.DIFFERS,
        severity=Severity.WARNING if left else Severity.CRITICAL,
        subject=array.name,
        key=array.name,
        summary=summary,
        declared="whole",
        observed=f"{told} missing" if counted else str(array.state),
        evidence={
            "array": array.name,
            "state": str(array.state),
            "out_of_it": out,
            "do_not_touch": keep,
            "further_losses_survived": left,
            "sync_action": None if array.sync_action is None else str(array.sync_action),
        },
        next_steps=ARRAY_DEGRADED.look_next,
    )


def _say_state(array: Array, *, has_failed: bool) -> str:
    if array.state in ("inactive", "clear"):
        return "is not running,"
    return "has failed" if has_failed else "runs"


def _say_margin(left: int | None, *, has_failed: bool) -> str:
    if has_failed:
        return "; its data may still be whole on its members"
    if left is None:
        return ""
    return f" and survives {left} more" if left else " and survives no further loss"


def _progress(array: Array) -> str:
    if array.sync_action != "recover":
        return ""
    done = array.sync_completed
    return f", rebuilding ({done:.0%} done)" if isinstance(done, float | int) else ", rebuilding"


def _unverified(rule: str, subject: str, key: str, gap: Unread) -> Finding:
    return Finding(
        rule=rule,
        kind=Kind.UNVERIFIED,
        severity=Severity.NOTICE,
        subject=subject,
        key=key,
        summary=f"{subject} could not be verified: {gap}",
        evidence={"unread": str(gap)},
        next_steps=("Run the audit as the service does, or as root.",),
    )


# --- the rules --------------------------------------------------------------------------------------------------------

_BUILD = """
schema = 1
box.name = "kelp-1"
position = [
  { label = "riser-1", path = "0000:00/01.1" },
  { label = "riser-2", path = "0000:00/01.2" },
  { label = "riser-3", path = "0000:00/01.3" },
]
array = [{ name = "md0", level = "raid5", members = ["riser-1", "riser-2", "riser-3"] }]
"""
_DISKS = ("nvme0n1", "nvme1n1", "nvme2n1")


def _box(disks: tuple[str, ...] = _DISKS, level: str = "raid5", degraded: int = 0) -> Snapshot:
    box = Box()
    for number in range(1, 4):
        box.with_port(f"0000:00/01.{number}").with_drive(f"0000:00/01.{number}")
    return box.with_array("md0", disks, level=level, degraded=degraded, members_wanted=3).snapshot()


ARRAY_DIFFERS = Rule(
    name="array-differs",
    kind=Kind.DIFFERS,
    statement="Each declared array is there, with its level and with the drives of its declared positions.",
    why=(
        "An array of another level, or with a drive from somewhere else, survives other losses than its owner thinks; "
        "and a label on a socket is trusted at the worst moment."
    ),
    look_next=(
        "See what the kernel made of the array: 'cat /proc/mdstat', 'mdadm --detail', or the file system's own tool.",
        "If the array was changed on purpose, correct the declaration.",
        "Assemble or add nothing by force before the data is safe: a wrong order of members destroys it.",
        DEGRADED_ARRAY,
    ),
    judge=_judge_differs,
    examples=(
        Example(says="level and members are as declared", build=_BUILD, snapshot=_box, expect=()),
        Example(
            says="another level than declared",
            build=_BUILD,
            snapshot=lambda: _box(level="raid0"),
            expect=(Kind.DIFFERS,),
        ),
        Example(
            says="the drive in riser-3 belongs to no array, and the array lacks none of its own count",
            build=_BUILD,
            snapshot=lambda: _box(disks=_DISKS[:2]),
            expect=(Kind.DIFFERS,),
        ),
    ),
    sources=("Linux Documentation/admin-guide/md.rst",),
)

ARRAY_DEGRADED = Rule(
    name="array-degraded",
    kind=Kind.DIFFERS,
    statement="Each array runs with all its members.",
    why=(
        "A degraded array works, and has lost the margin it was built for: with the last spare member gone, one more "
        "loss takes all the data. Most second losses happen by hand, by pulling the wrong drive."
    ),
    look_next=(
        DEGRADED_ARRAY,
        "Do not pull, unplug or move the drives named as not to be touched; see their labels before any work.",
        (
            "If the array has failed, force nothing: do not create it anew, do not mark members as good, and ask "
            "somebody who has brought one back before."
        ),
        (
            "Look at the failed member's own findings: if its link dropped, the drive may be sound and the way to it "
            "at fault."
        ),
        "Replace or re-add the member by the array's own manual, then let it rebuild undisturbed.",
        LIVE_DRIVE,
        OPEN_CASE,
    ),
    judge=_judge_degraded,
    examples=(
        Example(says="all members are in", build=_BUILD, snapshot=_box, expect=()),
        Example(
            says="one of three members is missing",
            build=_BUILD,
            snapshot=lambda: _box(disks=_DISKS[:2], degraded=1),
            expect=(Kind.DIFFERS,),
        ),
    ),
    sources=("Linux Documentation/admin-guide/md.rst: degraded, array_state, dev-*/state", "md(4): levels"),
)
