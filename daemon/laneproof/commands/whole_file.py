"""Writing a picture that a command was asked for."""

import contextlib
from pathlib import Path

from laneproof.commands.errors import CommandError


def write_picture(picture: str, name: str) -> None:
    """Write a picture beside its place and then rename it, so that nobody opens half of one.

    Raises:
        CommandError: It cannot be written (73, 77).
    """
    beside = Path(f"{name}.part")
    try:
        beside.write_text(picture, encoding="utf-8")
        beside.replace(name)
    except OSError as error:
        with contextlib.suppress(OSError):
            beside.unlink(missing_ok=True)
        raise CommandError.from_os_error(error, name, writing=True) from error
