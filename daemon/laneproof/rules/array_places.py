"""Where an array's members are, as a person finds them: by label, else by disk and path."""

from collections.abc import Iterable

from laneproof.rules.placement import Arrangement
from laneproof_collectors.snapshot import ArrayMember


def locate_disks(arrangement: Arrangement) -> dict[str, str]:
    """Give each disk's place: its position's label, or the disk and its path where none is declared.

    Args:
        arrangement: The build laid over the snapshot.
    """
    return {
        disk: arrangement.place_of(drive) or f"{disk} at {drive.path}"
        for drive in arrangement.drives
        for disk in drive.disks
    }


def name_members(arrangement: Arrangement, members: Iterable[ArrayMember]) -> list[str]:
    """Name members by their places, each place once; one whose disk is not known by its own name."""
    places = locate_disks(arrangement)
    return list(dict.fromkeys(places.get(one.disk) or one.disk or one.name for one in members))
