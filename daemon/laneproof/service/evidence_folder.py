"""Which watched drives carry a folder: evidence that lies on them goes with them. Pure."""

from laneproof.box.names import UnknownNameError, find_drives
from laneproof.declaration.build import Build
from laneproof_collectors.snapshot import Snapshot
from laneproof_collectors.unread import Unread


def find_carrying_drives(folder: str, build: Build | None, snapshot: Snapshot) -> tuple[str, ...]:
    """Find the places whose drives carry a folder.

    Args:
        folder: Its absolute path, without links.
        build: The declaration, for labels; None where there is none.
        snapshot: The facts.

    Returns:
        Their labels, or paths; several where it lies on an array. Empty where it lies on no watched drive, and where
        that is not known.
    """
    if isinstance(snapshot.file_systems, Unread):
        return ()
    below = f"{folder.rstrip('/')}/"
    around = [
        file_system for file_system in snapshot.file_systems if below.startswith(f"{file_system.mount.rstrip('/')}/")
    ]
    if not around:
        return ()
    device = max(around, key=lambda file_system: len(file_system.mount)).device
    try:
        return tuple(sorted({drive.name for drive in find_drives(device, build, snapshot)}))
    except UnknownNameError:
        return ()
