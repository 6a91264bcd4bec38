"""The daemon's history as a command reads it, while the daemon may be writing."""

import contextlib
import os
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from laneproof.commands.errors import CommandError
from laneproof.history.history import History
from laneproof.history.tables import NotOursError


def find_history(state: str | None) -> str:
    """Name the history's file.

    Args:
        state: The folder that it is in; None for the service's own.
    """
    from laneproof.commands.serve import HISTORY, load_settings

    return str(Path(state or load_settings(None).state) / HISTORY)


@contextmanager
def open_history(file: str) -> Iterator[History]:
    """Open a history to read it.

    Raises:
        CommandError: There is none (66), or none that can be read (65, 77); also while it is read.
    """
    try:
        with contextlib.closing(History.open(file)) as history:
            yield history
    except FileNotFoundError as error:
        message = f"{file}: there is no history; 'laneproof serve' writes it, and --state names another folder"
        raise CommandError(message, status=os.EX_NOINPUT) from error
    except (NotOursError, sqlite3.Error, OSError) as error:
        status = os.EX_DATAERR if os.access(file, os.R_OK) else os.EX_NOPERM
        raise CommandError(f"{file}: the history cannot be read: {error}", status=status) from error
