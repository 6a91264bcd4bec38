"""array-degraded: whether each array runs with all its members.

A member that is missing because its position is empty is reported by position-empty; that the array runs without it is
reported here all the same, since that decides what must not be touched.
"""

from collections.abc import Iterator

from laneproof.advice import DEGRADED_ARRAY, OPEN_CASE, Step, advise
from laneproof.box.placement import Arrangement
from laneproof.findings import Finding, Kind, Severity
from laneproof.rules.arrays.member_positions import find_losses, is_lost
from laneproof.rules.arrays.redundancy import BROKEN_STATES, WHOLE_POOL, count_lost, count_spared, level_key
from laneproof.rules.rule import Pass, Rule, differs, holds
from laneproof_collectors.snapshot import Array
from laneproof_collectors.unread import Unread, if_read


def _judge(current: Pass) -> Iterator[Finding]:
    arrangement = current.arrangement
    for array in if_read(current.snapshot.arrays):  # array-differs or reading-incomplete reports a gap
        lost = count_lost(array)
        if isinstance(lost, Unread):
            yield ARRAY_DEGRADED.report_unverified(lost, about=f"array {array.name}", key=array.name)
        elif lost:
            yield _report_degraded(arrangement, array, lost)


def _report_degraded(arrangement: Arrangement, array: Array, lost: int) -> Finding:
    lost, out, keep = find_losses(arrangement, array, lost)
    spared = count_spared(array)
    left = None if spared is None else max(spared - lost, 0)
    # Of mirrored pairs more may go than the least that is sure.
    is_beyond = spared is not None and lost > spared and level_key(str(array.level)) != "raid10"
    has_failed = array.state in BROKEN_STATES or is_beyond
    level = array.level if isinstance(array.level, str) else array.kind
    wanted = array.members_wanted if isinstance(array.members_wanted, int) else None
    lacking = f"{lost} of {wanted} members" if wanted else f"{lost} member{'s' if lost > 1 else ''}"
    failed = f" (out of it: {', '.join(out)})" if out else ""
    touch = f"; do not touch {', '.join(keep)}" if keep else ""
    is_short = isinstance(array.degraded, int) and array.degraded > 0
    counted = is_short or any(map(is_lost, array.members))
    if counted:
        says = f"{_say_state(array, has_failed=has_failed)} without {lacking}{failed}{_progress(array)}"
        summary = f"{level} array {array.name} {says}{_say_margin(left, has_failed=has_failed)}{touch}"
    elif array.kind == "zfs":
        summary = f"zfs pool {array.name} is {array.state}, not {WHOLE_POOL}; 'zpool status' names the member"
    else:
        summary = f"{level} array {array.name} is {array.state}{_say_margin(left, has_failed=True)}{touch}"
    return ARRAY_DEGRADED.report(
        severity=Severity.WARNING if left else Severity.CRITICAL,
        key=array.name,
        summary=summary,
        declared="whole",
        observed=f"{lacking} missing" if counted else str(array.state),
        evidence={
            "array": array.name,
            "state": str(array.state),
            "out_of_it": out,
            "do_not_touch": keep,
            "further_losses_survived": left,
            "sync_action": None if array.sync_action is None else str(array.sync_action),
        },
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


ARRAY_DEGRADED = Rule(
    name="array-degraded",
    kind=Kind.DIFFERS,
    statement="Each array runs with all its members.",
    why=(
        "A degraded array works, and has lost the margin it was built for: with the last spare member gone, one more "
        "loss takes all the data. Most second losses happen by hand, by pulling the wrong drive."
    ),
    next_steps=advise(
        "Make sure that a good backup of what the array holds exists, before any work on it.",
        "Look at the missing or failed member's own findings: if its link dropped, the drive may be sound, and the way "
        "to it at fault.",
        Step(
            "Leave alone the drives named as not to be touched; read their labels before any work.", (DEGRADED_ARRAY,)
        ),
        Step(
            "Replace or re-add the member by the array's own manual ('laneproof replace POSITION' leads through it), "
            "then let it rebuild undisturbed.",
            (OPEN_CASE,),
        ),
        "If the array has failed, force nothing: do not create it again, do not mark members as good, and ask somebody "
        "who has brought one back before.",
    ),
    judge=_judge,
    examples=(
        holds("all members are in"),
        differs(
            "one of three members is missing",
            "raid5 array md0 runs without 1 of 3 members (out of it: riser-3) and survives no further loss; do "
            "not touch riser-1, riser-2",
        ),
    ),
    sources=("Linux Documentation/admin-guide/md.rst: degraded, array_state, dev-*/state", "md(4): levels"),
)
