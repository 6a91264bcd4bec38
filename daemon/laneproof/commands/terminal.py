"""Standard output: what its reader's terminal can show, and writing to it."""

import contextlib
import json
import os
import re
import shutil
import sys

from laneproof.outputs.text_style import NARROWEST, Style, printable

WITHOUT_TERMINAL = (80, 24)
"""Columns and lines of text that goes to a file or a pipe; COLUMNS in the environment says otherwise."""


_COLOURS = re.compile(r"(\x1b\[(?:[01]|1;31|3[236])m)")  # those of `Style.paint`


def show(text: str) -> None:
    """Write to standard output what steers no terminal, whatever a device calls itself: only our own colours do."""
    write(guard(text))


def pass_on(text: str) -> None:
    """Write what a file or another program takes as it is, and a terminal guarded."""
    (show if sys.stdout.isatty() else write)(text)


def guard(text: str) -> str:
    """Leave out of a text what would steer the terminal, but for our own colours."""
    parts = _COLOURS.split(text) if _may_colour() else [text]
    return "".join(part if number % 2 else printable(part, keep="\n\t") for number, part in enumerate(parts))


def write(text: str) -> None:
    """Write to standard output as it is; where the reader of a pipe left, what is still to come goes nowhere."""
    try:
        sys.stdout.write(text)
        sys.stdout.flush()
    except BrokenPipeError:
        silence_output()


def show_json(value: object) -> None:
    """Write a JSON value to standard output."""
    show(write_json(value, indent=2) + "\n")


def write_json(value: object, *, indent: int | None = None) -> str:
    """Write a JSON value with every character beyond printable ASCII by its number."""
    return json.dumps(value, indent=indent).replace("\x7f", r"\u007f")


def silence_output() -> None:
    """Let all further output go nowhere, the interpreter's own flush at its end too; the exit status still counts."""
    with contextlib.suppress(OSError, ValueError):
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def find_style(width: int | None = None) -> Style:
    """Give the style for text on standard output; as wide as the terminal, where no number of columns is asked for."""
    columns = max(width or shutil.get_terminal_size(WITHOUT_TERMINAL).columns, NARROWEST)
    encoding = (sys.stdout.encoding or "").lower().replace("-", "")
    return Style(width=columns, colour=_may_colour(), unicode=encoding.startswith("utf"))


def _may_colour() -> bool:
    # NO_COLOR: a convention of command-line programs (no-color.org, from memory).
    return sys.stdout.isatty() and not os.environ.get("NO_COLOR") and os.environ.get("TERM") != "dumb"
