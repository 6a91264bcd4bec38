"""What is mounted, beside what is declared to be."""

from laneproof.declaration.build import Build
from laneproof.declaration.tables import DeclaredFileSystem

ALWAYS_FULL = ("squashfs", "erofs", "iso9660", "udf", "cramfs")  # made full, and never written


def declared_file_systems(build: Build | None) -> dict[str, DeclaredFileSystem]:
    """Give the declared file systems by where they are mounted."""
    return {tidy(plan.mount): plan for plan in (build.file_system if build else ())}


def tidy(mount: str) -> str:
    """Spell a mount point as it is compared."""
    return mount.rstrip("/") or "/"
