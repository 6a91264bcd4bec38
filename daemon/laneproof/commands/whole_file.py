"""Writing a file that a command was asked for."""

import contextlib
import os
from pathlib import Path
from typing import BinaryIO

from laneproof.commands.errors import CommandError, file_errors


def check_folder_of(name: str) -> None:
    """Check, before long work, that its outcome will find a folder that can be written to.

    Raises:
        CommandError: It will not (73).
    """
    folder = Path(name).absolute().parent
    why = "no such folder" if not folder.is_dir() else "not permitted" if not os.access(folder, os.W_OK) else None
    if why is not None or Path(name).is_dir():
        raise CommandError(f"{name}: cannot be written: {why or 'it is a folder'}", status=os.EX_CANTCREAT)


def create_new(name: str, advice: str = "name another file") -> BinaryIO:
    """Create a file, to be written to; one that stands is never overwritten.

    Raises:
        CommandError: It stands there, or cannot be written (73, 77).
    """
    with file_errors(name, writing=True):
        try:
            return Path(name).open("xb")
        except FileExistsError as error:
            raise CommandError(f"{name}: exists and is left alone; {advice}", status=os.EX_CANTCREAT) from error


def write_whole(name: str, text: str, *, mode: int | None = None) -> None:
    """Write a file beside its place and then rename it, so that nobody opens half of one, nor one through a link.

    Its rights are `mode`, else those that the user's own mask leaves.

    Raises:
        CommandError: It cannot be written (73, 77).
    """
    beside = Path(f"{name}.{os.getpid()}.part")
    try:
        with beside.open("x", encoding="utf-8") as out:  # never through a link that somebody put there
            out.write(text)
            out.flush()
            os.fsync(out.fileno())
            if mode is not None:
                os.fchmod(out.fileno(), mode)
        beside.replace(name)
    except OSError as error:
        with contextlib.suppress(OSError):
            beside.unlink(missing_ok=True)
        raise CommandError.from_os_error(error, name, writing=True) from error
