"""A file in which commands leave lines for a process that runs, which takes them when it gets to it.

Taken lines lie beside, as ``.taken``, until they are kept: who is stopped in between takes them again. Many
lines are taken portion by portion.
"""

import contextlib
import os
from io import BufferedReader
from pathlib import Path

PORTION_BYTES = 1 << 20
"""How much is taken at a time; the line that goes beyond it is taken whole."""


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
    # never through a pipe without a reader either, which would hold the command up
    flags = os.O_WRONLY | os.O_APPEND | os.O_CREAT | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC
    try:
        descriptor, is_new = os.open(file, flags | os.O_EXCL, mode), True
    except FileExistsError:
        descriptor, is_new = os.open(file, flags, mode), False
    try:
        with contextlib.suppress(PermissionError):  # another user's file: its owner has set it
            os.fchmod(descriptor, mode)
            if is_new and os.geteuid() == 0:  # whoever takes the lines owns the folder
                owner = file.parent.stat()
                os.fchown(descriptor, owner.st_uid, owner.st_gid)
        os.write(descriptor, f"{line}\n".encode())
    finally:
        os.close(descriptor)


def take_lines(file: Path) -> list[str]:
    """Take the lines that were left, the oldest first, or take again those that were not kept.

    Raises:
        OSError: They cannot be read.
    """
    aside = _beside(file)
    with contextlib.suppress(FileNotFoundError):
        if not aside.exists():
            file.rename(aside)
    try:
        with aside.open("rb") as left:
            return _read_portion(left).decode("utf-8", "replace").splitlines()
    except FileNotFoundError:
        return []


def has_lines(file: Path) -> bool:
    """Whether lines wait."""
    return file.exists() or _beside(file).exists()


def forget_lines(file: Path) -> None:
    """Forget what was taken, once it is kept; what was more than a portion is taken next.

    Raises:
        OSError: It cannot be deleted, and is taken again.
    """
    aside = _beside(file)
    rest = aside.with_suffix(".rest")
    with contextlib.suppress(FileNotFoundError), aside.open("rb") as left:
        _read_portion(left)
        if left.peek(1):
            rest.unlink(missing_ok=True)  # of one who was stopped here
            with rest.open("xb") as out:  # made new: never through a link
                out.write(left.read())
            rest.replace(aside)
        else:
            aside.unlink()


def _read_portion(left: BufferedReader) -> bytes:
    return left.read(PORTION_BYTES) + left.readline()


def _beside(file: Path) -> Path:
    return file.with_suffix(".taken")
