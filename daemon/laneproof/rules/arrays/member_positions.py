"""Where an array's members are, as a person finds them (by label, else by disk and path), and which are out of it."""

from collections.abc import Iterable
from typing import NamedTuple

from laneproof.box.placement import Arrangement
from laneproof.declaration.tables import DeclaredArray
from laneproof_collectors.snapshot import Array, ArrayMember, Snapshot
from laneproof_collectors.unread import if_read


def find_array(snapshot: Snapshot, plan: DeclaredArray) -> Array | None:
    """Give an array as it is; None where it is not there, which array-differs reports."""
    return next((array for array in if_read(snapshot.arrays) if array.name == plan.name), None)


def locate_disks(arrangement: Arrangement) -> dict[str, str]:
    """Say where each disk is: its position's label, or the disk and its path where no position is declared."""
    return {
        disk: arrangement.label_of(drive) or f"{disk} at {drive.path}"
        for drive in arrangement.drives
        for disk in drive.disks
    }


def name_members(arrangement: Arrangement, members: Iterable[ArrayMember]) -> list[str]:
    """Name members by their positions, each position once; a member whose disk is not known by its own name."""
    positions = locate_disks(arrangement)
    return list(dict.fromkeys(positions.get(member.disk) or member.disk or member.name for member in members))


def is_lost(member: ArrayMember) -> bool:
    """Whether the array runs without this member. Source: Documentation/admin-guide/md.rst, dev-*/state; btrfs."""
    return isinstance(member.state, str) and bool({"faulty", "missing"} & set(member.state.split(",")))


class Losses(NamedTuple):
    """What a degraded array lacks, by position.

    Attributes:
        number: How many members.
        out: The positions of those that are out of it, or their names where no position is known.
        keep: Likewise of those that carry it.
    """

    number: int
    out: list[str]
    keep: list[str]


def find_losses(arrangement: Arrangement, array: Array, lost: int) -> Losses:
    """Find which members a degraded array lacks, at least as many as it says itself.

    The array may still list a drive that is gone from the box, under its old name, as failed or, until it is next
    asked, even as in use. So declared positions that are empty are counted first, and a listed member without a
    position is taken for one of them.
    """
    positions = locate_disks(arrangement)
    bad = [member for member in array.members if is_lost(member)]
    good = [member for member in array.members if not is_lost(member)]
    plans = arrangement.build.array if arrangement.build else ()
    plan = next((plan for plan in plans if plan.name == array.name), None)
    inside = {member.disk for member in array.members}
    absent = [
        placement
        for label in (plan.members if plan else ())
        if (placement := arrangement.by_label[label]).unread is None and not inside & placement.disks
    ]
    gone = [placement.label for placement in absent if not placement.is_occupied]
    out = [*name_members(arrangement, (member for member in bad if member.disk in positions)), *gone]
    alive = sum(member.disk in positions for member in good)
    most = array.members_wanted - alive if isinstance(array.members_wanted, int) else len(out)
    count = max(lost, min(len(out), most))
    # Where the count asks for more: drives that are there but not in the array, then bare names.
    idle = [placement.label for placement in absent if placement.is_occupied]
    nameless = [member.name for member in bad if member.disk not in positions]
    out += [*idle, *nameless][: max(0, count - len(out))]
    vanished = len(gone) - len(nameless)
    keep = [member for member in good if member.disk in positions]
    keep += [member for member in good if member.disk not in positions][max(0, vanished) :]
    return Losses(count, out, name_members(arrangement, keep))
