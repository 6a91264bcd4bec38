"""The daemon's history as a command reads it, while the daemon may be writing."""

import contextlib
import logging
import os
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from laneproof.commands.errors import CommandError
from laneproof.commands.inputs import parse_declaration
from laneproof.commands.settings_file import read_settings_file
from laneproof.history.history import History
from laneproof.history.tables import NotOursError
from laneproof.service.declaration_file import STATE_NAME, KeptDeclaration
from laneproof.service.settings import Settings, parse_settings

_log = logging.getLogger(__name__)

DEFAULT_SETTINGS = "/etc/laneproof/service.toml"
HISTORY = "history.db"


def load_settings(path: str | None) -> Settings:
    """Load the service's settings; a missing file at the default path is all defaults.

    Raises:
        CommandError: A named file is missing (66) or not permitted (77), or says what it may not (78).
    """
    return read_settings_file(path, DEFAULT_SETTINGS, parse_settings, default=Settings())


def find_history(state: str | None) -> str:
    """Name the history's file, in the folder named or in the service's own."""
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


def load_kept_declaration(history: History) -> KeptDeclaration:
    """Load what an earlier run kept of the declaration; what this version cannot use is reported, and is none."""
    state = history.load_state(STATE_NAME)
    texts = {name: text for name, text in state.items() if isinstance(text, str)} if isinstance(state, dict) else {}
    declaration = None
    if (text := texts.get("text")) is not None:
        try:
            declaration = text, parse_declaration(text, "the kept declaration")
        except CommandError as error:
            _log.warning("%s", error)
    return KeptDeclaration(declaration=declaration, path=texts.get("path"), out_of_force=texts.get("out_of_force"))
