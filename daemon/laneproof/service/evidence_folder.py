"""Which watched drives carry a folder: evidence that lies on them goes with them. Pure."""

from laneproof.box.names import Position, UnknownNameError, find_drives
from laneproof.declaration.build import Build
from laneproof_collectors.snapshot import MountedFileSystem, Snapshot
from laneproof_collectors.unread import Unread

ROOM_BYTES = 64 << 20
"""What must be free where the evidence is kept: its ring takes 16 MiB, and others live there too."""
_MEMORY_CARD = "/dev/mmcblk"  # Documentation/driver-api/mmc/mmc-dev-parts.rst; no collector reads them as drives
_NOT_FOR_DATA = ("/boot", "/efi", "/run", "/snap")


def find_carrying_drives(folder: str, build: Build | None, snapshot: Snapshot) -> tuple[str, ...]:
    """Find the positions whose drives carry a folder.

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
    return tuple(sorted({drive.name for drive in _find_positions(device, build, snapshot)}))


def find_unwatched_mounts(build: Build | None, snapshot: Snapshot) -> tuple[str, ...]:
    """Find where the evidence outlives every declared drive: mounts known to lie on none, that can be written."""
    if isinstance(snapshot.file_systems, Unread):
        return ()
    return tuple(
        file_system.mount
        for file_system in snapshot.file_systems
        if _has_room(file_system)
        and not f"{file_system.mount}/".startswith(tuple(f"{folder}/" for folder in _NOT_FOR_DATA))
        and (file_system.device.startswith(_MEMORY_CARD) or _is_on_others(file_system.device, build, snapshot))
    )


def _has_room(file_system: MountedFileSystem) -> bool:
    available = file_system.available_bytes
    return file_system.read_only is False and isinstance(available, int) and available >= ROOM_BYTES


def _is_on_others(device: str, build: Build | None, snapshot: Snapshot) -> bool:
    drives = _find_positions(device, build, snapshot)
    return bool(drives) and all(
        drive.declared is None and drive.occupant is not None and drive.occupant.kind != "nvme" for drive in drives
    )


def _find_positions(device: str, build: Build | None, snapshot: Snapshot) -> tuple[Position, ...]:
    try:
        return find_drives(device, build, snapshot)
    except UnknownNameError:
        return ()
