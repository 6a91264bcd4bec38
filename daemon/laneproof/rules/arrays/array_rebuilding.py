"""array-rebuilding: what an array is busy with, and how much longer it takes.

What the array lacks is left to array-degraded.
"""

from collections.abc import Iterator

from laneproof.advice import DEGRADED_ARRAY, LIVE_DRIVE, advise
from laneproof.box.placement import Arrangement
from laneproof.findings import Finding, Kind, Severity
from laneproof.past.box_record import component_bytes
from laneproof.past.past import Past
from laneproof.rules.arrays.member_positions import name_members
from laneproof.rules.rule import Pass, Rule, differs, holds
from laneproof.rules.sign_subjects import HOUR
from laneproof_collectors.snapshot import Array
from laneproof_collectors.unread import Unread, if_read

_AT_WORK = {
    "recover": "is rebuilding a member",
    "resync": "is bringing its members into agreement",
    "reshape": "is changing its shape",
}
"""Source: Documentation/admin-guide/md.rst, sync_action."""


def _judge(current: Pass) -> Iterator[Finding]:
    arrangement = current.arrangement
    for array in if_read(current.snapshot.arrays):
        if isinstance(array.sync_action, Unread):
            about = f"what array {array.name} is busy with"
            yield ARRAY_REBUILDING.report_unverified(array.sync_action, about=about, key=array.name)
        elif array.sync_action in _AT_WORK:
            yield _report_rebuilding(arrangement, array, current.past)


def _report_rebuilding(arrangement: Arrangement, array: Array, past: Past) -> Finding:
    action = str(array.sync_action)
    share = array.sync_completed if isinstance(array.sync_completed, int | float) else None
    left = estimate_seconds_left(array, past, now=arrangement.snapshot.taken_at)
    done = "" if share is None else f", {share:.0%} done"
    time = "" if left is None else f", about {_say_duration(left)} left at this pace"
    positions = name_members(arrangement, array.members)
    leave = f"; do not touch {', '.join(positions)}" if positions else ""
    speed = array.sync_bytes_per_second
    return ARRAY_REBUILDING.report(
        severity=Severity.NOTICE,
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
            "do_not_touch": positions,
        },
    )


def estimate_seconds_left(array: Array, past: Past, *, now: float) -> float | None:
    """Estimate how much longer a rebuild takes; None where the pace is not known.

    Where the kernel gives no speed, the pace is that since the pass before.
    """
    share, speed = array.sync_completed, array.sync_bytes_per_second
    if not isinstance(share, int | float):
        return None
    part = component_bytes(array)
    if part and isinstance(speed, int | float) and speed > 0:
        return (1.0 - share) * part / speed
    before = past.previous
    arrays = () if before is None or isinstance(before.arrays, Unread) else before.arrays
    then = next((before.sync_completed for before in arrays if before.name == array.name), None)
    if before is None or not isinstance(then, int | float) or then >= share or before.taken_at >= now:
        return None
    return (1.0 - share) * (now - before.taken_at) / (share - then)


def _say_duration(seconds: float) -> str:
    hours = seconds / HOUR
    if hours >= 1:
        return f"{hours:.0f} h" if hours >= 10 else f"{hours:.1f} h"  # noqa: PLR2004 (two digits are enough)
    return f"{max(1, round(seconds / 60))} min"


ARRAY_REBUILDING = Rule(
    name="array-rebuilding",
    kind=Kind.DIFFERS,
    statement="No array is rebuilding, resynchronising or reshaping.",
    why=(
        "While an array rebuilds, every remaining member is read from end to end: the hardest hours of its life, and "
        "those in which one more loss, or one pulled by mistake, takes the data."
    ),
    next_steps=advise(
        "Leave every member named alone until it is done; do not restart the box for convenience.",
        DEGRADED_ARRAY,
        "Watch the remaining members' findings: an error of theirs now weighs more than before.",
        LIVE_DRIVE,
        "If it stands still or crawls, see what else the drives are busy with, and the kernel's rebuild speed limits.",
    ),
    judge=_judge,
    examples=(
        holds("the array is idle"),
        holds("a scheduled check runs: that is no rebuild"),
        differs(
            "a replaced member is being rebuilt",
            "array md0 is rebuilding a member, 45% done, about 3.4 h left at this pace; do not touch riser-1, "
            "riser-2, riser-3",
        ),
    ),
    sources=("Linux Documentation/admin-guide/md.rst: sync_action, sync_completed, sync_speed",),
)
