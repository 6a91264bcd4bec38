"""Where an array's members are, as a person finds them (by label, else by disk and path), and which are out of it."""

from collections.abc import Iterable
from typing import NamedTuple

from laneproof.box.placement import Arrangement, Placement
from laneproof_collectors.snapshot import Array, ArrayMember


def locate_disks(arrangement: Arrangement) -> dict[str, str]:
    """Give each disk's place: its position's label, or the disk and its path where none is declared.

    Args:
        arrangement: The build laid over the snapshot.
    """
    return {
        disk: arrangement.label_of(drive) or f"{disk} at {drive.path}"
        for drive in arrangement.drives
        for disk in drive.disks
    }


def name_members(arrangement: Arrangement, members: Iterable[ArrayMember]) -> list[str]:
    """Name members by their places, each place once; one whose disk is not known by its own name."""
    places = locate_disks(arrangement)
    return list(dict.fromkeys(places.get(member.disk) or member.disk or member.name for member in members))


def is_lost(member: ArrayMember) -> bool:
    """Whether the array runs without this member. Source: Documentation/admin-guide/md.rst, dev-*/state; btrfs."""
    return isinstance(member.state, str) and bool({"faulty", "missing"} & set(member.state.split(",")))


class Losses(NamedTuple):
    """What a degraded array lacks, by place.

    Attributes:
        number: How many members.
        out: The places, or names where no place is known, of those that are out of it.
        keep: Likewise of those that carry it.
    """

    number: int
    out: list[str]
    keep: list[str]


def find_losses(arrangement: Arrangement, array: Array, lost: int) -> Losses:
    """Find which members a degraded array lacks.

    A drive that is gone from the box takes its place's name with it: the array may still list it under the name that it
    had, as failed, or even as in use until it is next asked. So the declared positions that stand empty are counted
    first, and a listed member without a place is taken for one of these.

    Args:
        arrangement: The build laid over the snapshot.
        array: The array.
        lost: How many members the array itself says that it lacks, at least 1.
    """
    places = locate_disks(arrangement)
    bad = [member for member in array.members if is_lost(member)]
    good = [member for member in array.members if not is_lost(member)]
    plans = arrangement.build.array if arrangement.build else ()
    plan = next((plan for plan in plans if plan.name == array.name), None)
    inside = {member.disk for member in array.members}
    absent = [
        placement
        for label in (plan.members if plan else ())
        if (placement := arrangement.by_label[label]).unread is None and not inside & _disks_in(placement)
    ]
    gone = [placement.label for placement in absent if not placement.is_occupied]
    out = [*name_members(arrangement, (member for member in bad if member.disk in places)), *gone]
    alive = sum(member.disk in places for member in good)
    most = array.members_wanted - alive if isinstance(array.members_wanted, int) else len(out)
    count = max(lost, min(len(out), most))
    # What is still open is told as far as the count goes: a drive that is there and not in the array, a bare name.
    idle = [placement.label for placement in absent if placement.is_occupied]
    nameless = [member.name for member in bad if member.disk not in places]
    out += [*idle, *nameless][: max(0, count - len(out))]
    vanished = len(gone) - len(nameless)
    keep = [member for member in good if member.disk in places]
    keep += [member for member in good if member.disk not in places][max(0, vanished) :]
    return Losses(count, out, name_members(arrangement, keep))


def _disks_in(placement: Placement) -> set[str]:
    return set(placement.occupant.disks) if placement.is_occupied and placement.occupant else set()
