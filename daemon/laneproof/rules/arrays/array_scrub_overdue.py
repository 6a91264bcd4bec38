"""array-scrub-overdue: when all of an array was last read.

When an array was last checked is in no file of the kernel: the daemon sees checks run and remembers them. What no pass
saw is unverified, never fine.
"""

from collections.abc import Iterator
from datetime import UTC, datetime

from laneproof.advice import advise
from laneproof.declaration.tables import DeclaredArray
from laneproof.findings import Finding, Kind, Severity
from laneproof.past.box_record import CHECKING, DAY, ArrayChecks, BoxRecord
from laneproof.rules.arrays.member_positions import find_array
from laneproof.rules.rule import Pass, Rule, differs, holds, unverified
from laneproof.rules.sign_subjects import say_times
from laneproof_collectors.snapshot import Array
from laneproof_collectors.unread import Reason, Unread

_NOTHING_TO_CHECK = ("raid0", "linear", "single", "container")


def _judge(current: Pass) -> Iterator[Finding]:
    for plan in current.build.array if current.build else ():
        array = None if plan.scrub_every_days is None else find_array(current.snapshot, plan)
        if array is not None and array.level not in _NOTHING_TO_CHECK:
            yield from _judge_check(plan, array, current.past.box, now=current.snapshot.taken_at)


def _judge_check(plan: DeclaredArray, array: Array, box: BoxRecord, *, now: float) -> Iterator[Finding]:
    allowed = (plan.scrub_every_days or 0) * DAY
    if array.sync_action in CHECKING:
        return
    checks = box.checks.get(array.name) or ArrayChecks(since=now)
    known = [at for at in (array.last_check_unix_seconds, checks.ended_at) if at is not None]
    if known:
        days = say_times(round((now - max(known)) / DAY), "day")
        if now - max(known) > allowed:
            yield _report_overdue(plan, f"{days} ago", checked_at=max(known))
    elif array.kind == "md" and now - checks.since > allowed:
        days = say_times(round((now - checks.since) / DAY), "day")
        watched = f"not in the {days} that it was watched"
        yield _report_overdue(plan, watched, checked_at=None)
    else:
        why = _why_not(array, checks, now)
        yield ARRAY_SCRUB_OVERDUE.report_unverified(
            Unread(f"when {array.name} was last checked", why, Reason.ABSENT),
            why=why,
            about=f"the last check of array {array.name}",
            key=array.name,
            next_steps=advise(
                "Let the daemon run: it sees checks and remembers them.", *ARRAY_SCRUB_OVERDUE.next_steps
            ),
        )


def _why_not(array: Array, checks: ArrayChecks, now: float) -> str:
    if array.kind != "md":
        return f"the kernel shows no time of it for {array.kind}; the file system's own tool does"
    if now <= checks.since:
        return "the kernel keeps no time of it, and this is the first pass"
    since = datetime.fromtimestamp(checks.since, UTC).date()
    return f"the kernel keeps no time of it, and none was seen since {since}, when watching began"


def _report_overdue(plan: DeclaredArray, observed: str, *, checked_at: float | None) -> Finding:
    declared = f"every {say_times(plan.scrub_every_days or 0, 'day')}"
    return ARRAY_SCRUB_OVERDUE.report(
        severity=Severity.WARNING,
        key=plan.name,
        summary=f"array {plan.name} was last checked {observed}, declared {declared}",
        declared=declared,
        observed="longer ago" if checked_at is not None else "not seen",
        evidence={"array": plan.name, "checked_at": checked_at, "allowed_days": plan.scrub_every_days},
    )


ARRAY_SCRUB_OVERDUE = Rule(
    name="array-scrub-overdue",
    kind=Kind.DIFFERS,
    statement="Each array is checked from end to end at least as often as declared.",
    why=(
        "A sector that went bad unread is found when a rebuild needs it, and then nothing is left to mend it from. A "
        "check reads all members while they can still mend each other."
    ),
    next_steps=advise(
        "Start a check when the box is quiet ('echo check >/sys/block/NAME/md/sync_action' as root; btrfs and ZFS "
        "have their own scrub): it reads everything, and the array mends what it cannot read.",
        "See that the timer which starts checks is enabled, and that a check has the time to end before it is stopped.",
        "Start none while the array is degraded: first make it whole.",
    ),
    judge=_judge,
    examples=(
        holds("checked 20 days ago"),
        differs(
            "checked 50 days ago, every 35 are declared",
            "array md0 was last checked 50 days ago, declared every 35 days",
        ),
        differs(
            "no check was seen in a watch of 90 days",
            "array md0 was last checked not in the 90 days that it was watched, declared every 35 days",
        ),
        unverified(
            "a first pass cannot know",
            "the last check of array md0 could not be verified: the kernel keeps no time of it, and this is the "
            "first pass",
        ),
    ),
    sources=("Linux Documentation/admin-guide/md.rst: sync_action, check", "md(4): scrubbing and mismatches"),
)
