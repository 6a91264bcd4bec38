"""Reads a settings' file of the program."""

import os
from collections.abc import Callable
from pathlib import Path
from typing import TypeVar

from laneproof.commands.errors import CommandError, file_errors
from laneproof.declaration.settings_text import SettingsError

_Settings = TypeVar("_Settings")


def read_settings_file(
    path: str | None, default_path: str, parse: Callable[..., _Settings], *, default: _Settings | None = None
) -> _Settings:
    """Read the settings that are named, else those at the default path; `default` holds where these are missing.

    Raises:
        CommandError: The file is missing (66) or not permitted (77), or says what it may not (78).
    """
    file = path or default_path
    try:
        with file_errors(file):
            if path is None and default is not None and not Path(file).exists():
                return default
            return parse(Path(file).read_text(encoding="utf-8"), name=file)
    except UnicodeDecodeError as error:
        raise CommandError(f"{file}: not UTF-8 text ({error.reason})", status=os.EX_CONFIG) from error
    except SettingsError as error:
        raise CommandError(str(error), status=os.EX_CONFIG) from error
