"""What the reader's terminal can show: its width, whether colour is welcome, and which characters it knows."""

import os
import shutil
import sys

from laneproof.outputs.style import NARROWEST, Style

WITHOUT_TERMINAL = (80, 24)
"""Columns and lines of text that goes to a file or a pipe; COLUMNS in the environment says otherwise."""


def find_style(width: int | None = None) -> Style:
    """Give the style for text on standard output.

    Args:
        width: Columns as the user asked for; None for the terminal's own.
    """
    columns = max(width or shutil.get_terminal_size(WITHOUT_TERMINAL).columns, NARROWEST)
    encoding = (sys.stdout.encoding or "").lower().replace("-", "")
    return Style(width=columns, colour=_may_colour(), unicode=encoding.startswith("utf"))


def _may_colour() -> bool:
    # NO_COLOR: a convention of command-line programs (no-color.org, from memory).
    return sys.stdout.isatty() and not os.environ.get("NO_COLOR") and os.environ.get("TERM") != "dumb"
