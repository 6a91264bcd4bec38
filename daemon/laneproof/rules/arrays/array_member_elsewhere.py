"""array-member-elsewhere: a member of an array that is not in one of the positions declared for it.

That a position holds another drive is reported by the rules of positions.
"""

from collections.abc import Iterator

from laneproof.advice import DEGRADED_ARRAY, LIVE_DRIVE, OPEN_CASE, advise
from laneproof.box.placement import Arrangement
from laneproof.declaration.tables import DeclaredArray
from laneproof.findings import Finding, Kind, Severity
from laneproof.rules.arrays.member_positions import find_array, locate_disks
from laneproof.rules.rule import Pass, Rule, differs, holds
from laneproof_collectors.snapshot import Array
from laneproof_collectors.unread import Unread


def _judge(current: Pass) -> Iterator[Finding]:
    for plan in current.build.array if current.build else ():
        array = find_array(current.snapshot, plan)
        if array is not None and plan.members:
            yield from _compare(current.arrangement, plan, array)


def declared_disks(arrangement: Arrangement, plan: DeclaredArray) -> frozenset[str] | Unread:
    """Give the disks in an array's declared positions, its spares' included.

    `Unread` where one of the positions could not be read, so that any disk might be its own.
    """
    found: set[str] = set()
    for label in (*plan.members, *plan.spares):
        placement = arrangement.by_label[label]
        if placement.unread is not None:
            return placement.unread
        if placement.is_occupied and not placement.disks:
            return Unread(f"the disks of {label}", "its driver shows none")
        found |= placement.disks
    return frozenset(found)


def _compare(arrangement: Arrangement, plan: DeclaredArray, array: Array) -> Iterator[Finding]:
    expected = declared_disks(arrangement, plan)
    if isinstance(expected, Unread):
        return  # array-differs says so
    positions = locate_disks(arrangement)
    drives = {disk: drive for drive in arrangement.drives for disk in drive.disks}
    inside = {member.disk for member in array.members}
    lacking = [label for label in plan.members if not arrangement.by_label[label].disks & inside]
    for disk in sorted(inside - expected - {""}):
        drive = drives.get(disk)
        label = arrangement.label_of(drive) if drive else None
        where = positions.get(disk) or f"{disk}, of no known position"
        instead = f", and none is in {' or '.join(lacking)}" if lacking else ""
        serial = drive.serial if drive and isinstance(drive.serial, str) else None
        yield ARRAY_MEMBER_ELSEWHERE.report(
            severity=Severity.WARNING,
            position=label,
            subject=disk,
            key=f"{array.name} {serial or disk}",
            summary=(
                f"array {array.name} has its member {disk} in {where}, declared {', '.join(plan.members)}{instead}"
                if label
                else f"array {array.name} has a member at {where}, declared {', '.join(plan.members)}{instead}"
            ),
            declared=", ".join((*plan.members, *plan.spares)),
            observed=where,
            evidence={"array": array.name, "disk": disk, "serial": serial, "positions_without": lacking},
        )


ARRAY_MEMBER_ELSEWHERE = Rule(
    name="array-member-elsewhere",
    kind=Kind.DIFFERS,
    statement="Each member of a declared array is in one of the positions declared for it.",
    why=(
        "When a member fails, its owner goes by the label. A member that sits elsewhere means that the label points at "
        "a sound drive, and pulling that one is the second loss."
    ),
    next_steps=advise(
        "Until this is settled, trust no label of this array: compare serial numbers before any drive is touched.",
        "If the drives were moved on purpose, correct the declaration, and the labels on the box.",
        "Else put them back with the box off; the array finds its members wherever they are, so nothing is lost by it.",
        DEGRADED_ARRAY,
        LIVE_DRIVE,
        OPEN_CASE,
    ),
    judge=_judge,
    examples=(
        holds("all members are where they are declared"),
        differs(
            "the array uses the drive in riser-4, not the one in riser-3",
            "array md0 has its member nvme3n1 in riser-4, declared riser-1, riser-2, riser-3, and none is in riser-3",
        ),
    ),
    sources=("Linux Documentation/admin-guide/md.rst: dev-*; md(4): members are found by what is written on them",),
)
