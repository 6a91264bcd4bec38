"""array-differs: redundant arrays against the build.

A member whose position is empty is left to position-empty, and one that is in another position than declared to
array-member-elsewhere.
"""

from collections.abc import Iterator

from laneproof.advice import DEGRADED_ARRAY, advise
from laneproof.box.placement import Arrangement
from laneproof.declaration.tables import DeclaredArray
from laneproof.findings import Finding, Kind, Severity
from laneproof.rules.arrays.array_member_elsewhere import declared_disks
from laneproof.rules.arrays.member_positions import find_array
from laneproof.rules.arrays.redundancy import count_lost, level_key
from laneproof.rules.rule import Pass, Rule, differs, holds
from laneproof_collectors.snapshot import Array
from laneproof_collectors.unread import Reason, Unread


def _judge(current: Pass) -> Iterator[Finding]:
    if current.build is None or not current.build.array:
        return
    if isinstance(current.snapshot.arrays, Unread):
        names = ", ".join(plan.name for plan in current.build.array)
        yield ARRAY_DIFFERS.report_unverified(current.snapshot.arrays, about=f"arrays {names}", key="arrays")
        return
    arrangement = current.arrangement
    for plan in current.build.array:
        array = find_array(current.snapshot, plan)
        if array is None:
            yield _report_missing(arrangement, plan, current.snapshot.arrays)
        else:
            yield from _compare(arrangement, plan, array)


def _report_missing(arrangement: Arrangement, plan: DeclaredArray, arrays: tuple[Array, ...]) -> Finding:
    wanted = {disk for label in plan.members for disk in arrangement.by_label[label].disks}
    other = next((array for array in arrays if wanted & {member.disk for member in array.members}), None)
    observed = f"no array {plan.name}" + (f"; its drives are in {other.name}" if other else "")
    return ARRAY_DIFFERS.report(
        severity=Severity.WARNING if other else Severity.CRITICAL,
        key=plan.name,
        summary=f"array {plan.name} is declared, but there is {observed}",
        declared=plan.name,
        observed=observed,
        evidence={"array": plan.name, "arrays_found": [array.name for array in arrays]},
    )


def _compare(arrangement: Arrangement, plan: DeclaredArray, array: Array) -> Iterator[Finding]:
    declared, observed, gaps = [], [], []
    if plan.level is not None:
        if isinstance(array.level, Unread):
            gaps.append(array.level)
        elif level_key(array.level) != level_key(plan.level):
            declared.append(plan.level)
            observed.append(array.level)
    if plan.members:
        missing, unknown = _find_missing(arrangement, plan, array)
        gaps += unknown
        if missing:
            declared.append(f"members {', '.join((*plan.members, *plan.spares))}")
            observed.append(f"without {', '.join(missing)}")
    if observed:
        yield ARRAY_DIFFERS.report(
            severity=Severity.WARNING,
            key=array.name,
            summary=f"array {array.name} is {', '.join(observed)}, declared {', '.join(declared)}",
            declared=", ".join(declared),
            observed=", ".join(observed),
            evidence={"array": array.name, "unread": [str(gap) for gap in gaps]},
        )
    elif gaps:
        yield ARRAY_DIFFERS.report_unverified(gaps[0], about=f"array {array.name}", key=array.name)


def _find_missing(arrangement: Arrangement, plan: DeclaredArray, array: Array) -> tuple[list[str], list[Unread]]:
    """Give the declared positions whose drive is not in the array, and what could not be read.

    Left out are those whose loss array-degraded reports, and those for which array-member-elsewhere names another
    drive.
    """
    inside = {member.disk for member in array.members}
    missing, unknown = [], []
    for label in (*plan.members, *plan.spares):
        placement = arrangement.by_label[label]
        if placement.unread is not None:
            unknown.append(placement.unread)
        elif placement.is_occupied and not placement.disks:
            unknown.append(Unread(f"the disks of {label}", "its driver shows none", Reason.ABSENT))
        elif placement.is_occupied and not inside & placement.disks:
            missing.append(label)
    expected = declared_disks(arrangement, plan)
    strangers = 0 if isinstance(expected, Unread) else len(inside - expected - {""})
    lost = count_lost(array)
    reported_elsewhere = strangers + (lost if isinstance(lost, int) else 0)
    return [] if reported_elsewhere >= len(missing) else missing, unknown


ARRAY_DIFFERS = Rule(
    name="array-differs",
    kind=Kind.DIFFERS,
    statement="Each declared array is there, with its level and with the drives of its declared positions.",
    why=(
        "An array of another level, or with a drive from somewhere else, survives other losses than its owner thinks; "
        "and a label on a socket is trusted at the worst moment."
    ),
    next_steps=advise(
        "See what the kernel made of the array: 'cat /proc/mdstat', 'mdadm --detail', or the file system's own tool.",
        "If the array was changed on purpose, correct the declaration.",
        "Assemble or add nothing by force before the data is safe: a wrong order of members destroys it.",
        DEGRADED_ARRAY,
    ),
    judge=_judge,
    examples=(
        holds("level and members are as declared"),
        differs("another level than declared", "array md0 is raid0, declared raid5"),
        differs(
            "the drive in riser-3 belongs to no array, and the array lacks none of its own count",
            "array md0 is without riser-3, declared members riser-1, riser-2, riser-3",
        ),
    ),
    sources=("Linux Documentation/admin-guide/md.rst",),
)
