"""A file in which commands leave lines for a process that runs, which takes them when it gets to it.

Taken lines lie beside, as ``.taken``, until they are kept: who is stopped in between takes them again.
"""

import contextlib
import os
from pathlib import Path

_MOST_BYTES = 1 << 20


def leave_line(file: Path, line: str, *, mode: int) -> None:
    """Add one line.

    Args:
        file: The inbox.
        line: The line, without its end.
        mode: The file's permissions, whatever the caller's umask: its reader may be another user.

    Raises:
        OSError: It cannot be written.
    """
    # one write of a short line in append mode: two commands at once do not mix their lines
    # never through a link: root leaves lines in a folder that is another user's
    descriptor = os.open(file, os.O_WRONLY | os.O_APPEND | os.O_CREAT | os.O_NOFOLLOW | os.O_CLOEXEC, mode)
    try:
        with contextlib.suppress(PermissionError):  # another user's file: its owner has set it
            os.fchmod(descriptor, mode)
        os.write(descriptor, f"{line}\n".encode())
    finally:
        os.close(descriptor)


def take_lines(file: Path) -> list[str]:
    """Take the lines that were left, or take again those that were not kept.

    Raises:
        OSError: They cannot be read.
    """
    aside = _beside(file)
    with contextlib.suppress(FileNotFoundError):
        if not aside.exists():
            file.rename(aside)
    try:
        return aside.read_text(encoding="utf-8", errors="replace")[:_MOST_BYTES].splitlines()
    except FileNotFoundError:
        return []


def has_lines(file: Path) -> bool:
    """Whether lines wait."""
    return file.exists() or _beside(file).exists()


def forget_lines(file: Path) -> None:
    """Forget what was taken, once it is kept.

    Raises:
        OSError: It cannot be deleted, and is taken again.
    """
    _beside(file).unlink(missing_ok=True)


def _beside(file: Path) -> Path:
    return file.with_suffix(".taken")
