"""array-rebuilding and array-scrub-overdue: what an array is busy with, and when all of it was last read.

What an array lacks is ``array_rules.py``'s; here is only what its members do. When an array was last checked is in no
file of the kernel: the daemon sees checks run and remembers them. What no pass saw is unverified, never fine.
"""

from collections.abc import Iterator
from datetime import UTC, datetime

from laneproof.box.placement import Arrangement, arrange
from laneproof.declaration.build import Build
from laneproof.declaration.tables import DeclaredArray
from laneproof.findings import Finding, Kind, Severity
from laneproof.past.box_record import CHECKING, DAY, ArrayChecks, BoxRecord, component_bytes
from laneproof.past.past import Past
from laneproof.rules.arrays.member_positions import name_members
from laneproof.rules.cannot_tell import cannot_tell
from laneproof.rules.cautions import DEGRADED_ARRAY, LIVE_DRIVE
from laneproof.rules.example_box import A_MORNING, Box
from laneproof.rules.rule import Example, Rule
from laneproof_collectors.snapshot import Array, Snapshot
from laneproof_collectors.unread import Reason, Unread

REBUILDING, OVERDUE = "array-rebuilding", "array-scrub-overdue"
_AT_WORK = {
    "recover": "is rebuilding a member",
    "resync": "is bringing its members into agreement",
    "reshape": "is changing its shape",
}
"""Source: Documentation/admin-guide/md.rst, sync_action."""
_WITHOUT_REDUNDANCY = ("raid0", "linear", "single")
_HOUR, _MINUTE = 3600.0, 60.0


# --- array-rebuilding -------------------------------------------------------------------------------------------------


def _judge_rebuilding(build: Build | None, snapshot: Snapshot, past: Past) -> Iterator[Finding]:
    if isinstance(snapshot.arrays, Unread):
        return  # array-differs or reading-incomplete says so
    arrangement = arrange(build, snapshot)
    for array in snapshot.arrays:
        if isinstance(array.sync_action, Unread):
            about = f"what array {array.name} is busy with"
            yield cannot_tell(REBUILDING, array.sync_action, about=about, key=array.name)
        elif array.sync_action in _AT_WORK:
            yield _tell_rebuilding(arrangement, array, past)


def _tell_rebuilding(arrangement: Arrangement, array: Array, past: Past) -> Finding:
    action = str(array.sync_action)
    share = array.sync_completed if isinstance(array.sync_completed, int | float) else None
    left = estimate_seconds_left(array, past, now=arrangement.snapshot.taken_at)
    done = "" if share is None else f", {share:.0%} done"
    time = "" if left is None else f", about {_say_duration(left)} left at this pace"
    places = name_members(arrangement, array.members)
    leave = f"; do not touch {', '.join(places)}" if places else ""
    speed = array.sync_bytes_per_second
    return Finding(
        rule=REBUILDING,
        kind=Kind.DIFFERS,
        severity=Severity.NOTICE,
        subject=array.name,
        key=array.name,
        summary=f"array {array.name} {_AT_WORK[action]}{done}{time}{leave}",
        declared="at rest",
        observed=action,
        evidence={
            "array": array.name,
            "sync_action": action,
            "completed_share": share,
            "bytes_per_second": speed if isinstance(speed, int | float) else None,
            "seconds_left": None if left is None else round(left),
            "do_not_touch": places,
        },
        next_steps=ARRAY_REBUILDING.look_next,
    )


def estimate_seconds_left(array: Array, past: Past, *, now: float) -> float | None:
    """Estimate how long a rebuild will take yet.

    Args:
        array: The array as it is now.
        past: The pass before tells the pace, where the kernel's own speed does not.
        now: The time of this pass, unix seconds.

    Returns:
        Seconds; None where nothing tells the pace.
    """
    share, speed = array.sync_completed, array.sync_bytes_per_second
    if not isinstance(share, int | float):
        return None
    part = component_bytes(array)
    if part and isinstance(speed, int | float) and speed > 0:
        return (1.0 - share) * part / speed
    before = past.previous
    arrays = () if before is None or isinstance(before.arrays, Unread) else before.arrays
    then = next((one.sync_completed for one in arrays if one.name == array.name), None)
    if before is None or not isinstance(then, int | float) or then >= share or before.taken_at >= now:
        return None
    return (1.0 - share) * (now - before.taken_at) / (share - then)


def _say_duration(seconds: float) -> str:
    hours, minutes = seconds / _HOUR, seconds / _MINUTE
    if hours >= 1:
        return f"{hours:.0f} h" if hours >= 10 else f"{hours:.1f} h"  # noqa: PLR2004 (two digits are enough)
    return f"{max(1, round(minutes))} min"


# --- array-scrub-overdue ----------------------------------------------------------------------------------------------


def _judge_overdue(build: Build | None, snapshot: Snapshot, past: Past) -> Iterator[Finding]:
    plans = [one for one in (build.array if build else ()) if one.scrub_every_days is not None]
    if isinstance(snapshot.arrays, Unread):
        return  # array-differs says so
    for plan in plans:
        array = next((one for one in snapshot.arrays if one.name == plan.name), None)
        if array is not None and array.level not in _WITHOUT_REDUNDANCY:  # one that is missing: array-differs
            yield from _judge_check(plan, array, past.box, now=snapshot.taken_at)


def _judge_check(plan: DeclaredArray, array: Array, box: BoxRecord, *, now: float) -> Iterator[Finding]:
    allowed = (plan.scrub_every_days or 0) * DAY
    if array.sync_action in CHECKING:
        return
    checks = box.checks.get(array.name) or ArrayChecks(since=now)
    known = [one for one in (array.last_check_unix_seconds, checks.ended_at) if one is not None]
    if known:
        if now - max(known) > allowed:
            yield _tell_overdue(plan, f"{_say_days(now - max(known))} ago", checked_at=max(known))
    elif array.kind == "md" and now - checks.since > allowed:
        watched = f"not in the {_say_days(now - checks.since)} that it was watched"
        yield _tell_overdue(plan, watched, checked_at=None)
    else:
        yield cannot_tell(
            OVERDUE,
            Unread(f"when {array.name} was last checked", _why_not(array, checks, now), Reason.ABSENT),
            about=f"the last check of array {array.name}",
            key=array.name,
            next_steps=("Let the daemon run: it sees checks and remembers them.", *ARRAY_SCRUB_OVERDUE.look_next),
        )


def _why_not(array: Array, checks: ArrayChecks, now: float) -> str:
    if array.kind != "md":
        return f"the kernel shows no time of it for {array.kind}; the file system's own tool does"
    if now <= checks.since:
        return "the kernel keeps no time of it, and this is the first look"
    since = datetime.fromtimestamp(checks.since, UTC).date()
    return f"the kernel keeps no time of it, and none was seen since {since}, when watching began"


def _tell_overdue(plan: DeclaredArray, observed: str, *, checked_at: float | None) -> Finding:
    declared = f"every {plan.scrub_every_days} day{'s' if plan.scrub_every_days != 1 else ''}"
    return Finding(
        rule=OVERDUE,
        kind=Kind.DIFFERS,
        severity=Severity.WARNING,
        subject=plan.name,
        key=plan.name,
        summary=f"array {plan.name} was last checked {observed}, declared {declared}",
        declared=declared,
        # the days move on by themselves; only that it is overdue is news
        observed="longer ago" if checked_at is not None else "not seen",
        evidence={"array": plan.name, "checked_at": checked_at, "allowed_days": plan.scrub_every_days},
        next_steps=ARRAY_SCRUB_OVERDUE.look_next,
    )


def _say_days(seconds: float) -> str:
    days = round(seconds / DAY)
    return f"{days} day{'s' if days != 1 else ''}"


# --- the rules --------------------------------------------------------------------------------------------------------

_DISKS = ("nvme0n1", "nvme1n1", "nvme2n1")
_BUILD = """
schema = 1
box.name = "kelp-1"
position = [
  { label = "riser-1", path = "0000:00/01.1" },
  { label = "riser-2", path = "0000:00/01.2" },
  { label = "riser-3", path = "0000:00/01.3" },
]
array = [{ name = "md0", members = ["riser-1", "riser-2", "riser-3"], scrub_every_days = 35 }]
"""


def _box(**facts: object) -> Snapshot:
    box = Box()
    for number in range(1, 4):
        box.with_port(f"0000:00/01.{number}").with_drive(f"0000:00/01.{number}")
    return box.with_array("md0", _DISKS, **facts).snapshot()


def _checked(days_ago: float | None, *, watched_days: float = 90) -> Past:
    ended_at = None if days_ago is None else A_MORNING - days_ago * DAY
    checks = ArrayChecks(since=A_MORNING - watched_days * DAY, ended_at=ended_at)
    return Past(box=BoxRecord(checks={"md0": checks}))


ARRAY_REBUILDING = Rule(
    name=REBUILDING,
    kind=Kind.DIFFERS,
    statement="No array is rebuilding, resynchronising or reshaping.",
    why=(
        "While an array rebuilds, every remaining member is read from end to end: the hardest hours of its life, and "
        "those in which one more loss, or one pulled by mistake, takes the data."
    ),
    look_next=(
        "Leave every member named alone until it is done; do not restart the box for convenience.",
        DEGRADED_ARRAY,
        "Watch the remaining members' findings: an error of theirs now weighs more than before.",
        LIVE_DRIVE,
        "If it stands still or crawls, see what else the drives are busy with, and the kernel's rebuild speed limits.",
    ),
    judge=_judge_rebuilding,
    examples=(
        Example(says="the array is idle", build=_BUILD, snapshot=_box, expect=()),
        Example(
            says="a scheduled check runs: that is no rebuild",
            build=_BUILD,
            snapshot=lambda: _box(sync_action="check", sync_completed=0.4),
            expect=(),
        ),
        Example(
            says="a replaced member is being rebuilt",
            build=_BUILD,
            snapshot=lambda: _box(
                sync_action="recover", sync_completed=0.45, degraded=1, sync_bytes_per_second=180_000_000.0
            ),
            expect=(Kind.DIFFERS,),
        ),
    ),
    sources=("Linux Documentation/admin-guide/md.rst: sync_action, sync_completed, sync_speed",),
)

ARRAY_SCRUB_OVERDUE = Rule(
    name=OVERDUE,
    kind=Kind.DIFFERS,
    statement="Each array is checked from end to end at least as often as declared.",
    why=(
        "A sector that went bad unread is found when a rebuild needs it, and then nothing is left to mend it from. A "
        "check reads all members while they can still mend each other."
    ),
    look_next=(
        (
            "Start a check when the box is quiet ('echo check >/sys/block/NAME/md/sync_action' as root; btrfs and ZFS "
            "have their own scrub): it reads everything, and the array mends what it cannot read."
        ),
        "See that the timer which starts checks is enabled, and that a check has the time to end before it is stopped.",
        "Start none while the array is degraded: first make it whole.",
    ),
    judge=_judge_overdue,
    examples=(
        Example(says="checked 20 days ago", build=_BUILD, snapshot=_box, past=_checked(20), expect=()),
        Example(
            says="checked 50 days ago, every 35 are declared",
            build=_BUILD,
            snapshot=_box,
            past=_checked(50),
            expect=(Kind.DIFFERS,),
        ),
        Example(
            says="no check was seen in a watch of 90 days",
            build=_BUILD,
            snapshot=_box,
            past=_checked(None),
            expect=(Kind.DIFFERS,),
        ),
        Example(says="a first look cannot know", build=_BUILD, snapshot=_box, expect=(Kind.UNVERIFIED,)),
    ),
    sources=("Linux Documentation/admin-guide/md.rst: sync_action, check", "md(4): scrubbing and mismatches"),
)
