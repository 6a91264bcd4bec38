"""What is mounted, beside what is declared to be."""

from laneproof.declaration.build import Build
from laneproof.declaration.tables import DeclaredFileSystem
from laneproof_collectors.snapshot import MountedFileSystem, Snapshot
from laneproof_collectors.unread import Unread

ALWAYS_FULL = ("squashfs", "erofs", "iso9660", "udf", "cramfs")  # made full, and never written


def declared_file_systems(build: Build | None) -> dict[str, DeclaredFileSystem]:
    """Give the declared file systems by where they are mounted."""
    return {tidy(plan.mount): plan for plan in (build.file_system if build else ())}


def tidy(mount: str) -> str:
    """Spell a mount point as it is compared."""
    return mount.rstrip("/") or "/"


def find_mounted(snapshot: Snapshot) -> tuple[MountedFileSystem, ...]:
    """Give what is mounted; nothing where that could not be read, which is reported once elsewhere."""
    return () if isinstance(snapshot.file_systems, Unread) else snapshot.file_systems
