"""Lines on standard error: one sentence each for a person, and for the journal each with its priority.

Sources: sd-daemon(3), a line's priority as ``<4>`` before it; systemd.exec(5), ``JOURNAL_STREAM``, which names the
stream that the service manager has connected to the journal; syslog(3), the priorities.
"""

import logging
import os
import sys
import traceback
from pathlib import PurePath
from types import TracebackType

from laneproof.outputs.text_style import printable

TRACEBACKS = "LANEPROOF_TRACEBACK"
"""Set in the environment: a fault of the program shows where it happened, for a report."""
NOTICE = 25
"""A level between information and warning, which Python has not: a finding that asks for no haste."""
_PRIORITIES = {logging.CRITICAL: 2, logging.ERROR: 3, logging.WARNING: 4, NOTICE: 5, logging.INFO: 6}
_LOWEST = 7


class LineFormatter(logging.Formatter):
    """Writes a record as the program speaks; a person who asked for an audit is no reader of tracebacks."""

    def __init__(self, *, shows_tracebacks: bool) -> None:
        """Take whether a fault is shown with the whole way to it, or in one line."""
        super().__init__("laneproof: %(message)s")
        self._shows_tracebacks = shows_tracebacks
        self._is_journal = is_journal()

    def format(self, record: logging.LogRecord) -> str:
        """Write a record, for the journal each of its lines with its priority."""
        text = printable(super().format(record), keep="\n\t")
        return write_lines(text, record.levelno) if self._is_journal else text

    def formatException(  # noqa: N802 (the library's name)
        self, ei: tuple[type[BaseException], BaseException, TracebackType | None] | tuple[None, None, None]
    ) -> str:
        """Write what failed."""
        return super().formatException(ei) if self._shows_tracebacks else f"  {locate(ei[1])}"


def write_lines(text: str, level: int) -> str:
    """Put a priority before each line of a text."""
    priority = next((number for least, number in _PRIORITIES.items() if level >= least), _LOWEST)
    return "\n".join(f"<{priority}>{line}" for line in text.splitlines())


def is_journal() -> bool:
    """Whether standard error goes to the journal."""
    try:
        stream = os.fstat(sys.stderr.fileno())
    except (OSError, ValueError):
        return False
    return os.environ.get("JOURNAL_STREAM") == f"{stream.st_dev}:{stream.st_ino}"


def say(text: str, level: int) -> None:
    """Write the program's own line to standard error."""
    line = printable(f"laneproof: {text}", keep="\n\t")
    print(write_lines(line, level) if is_journal() else line, file=sys.stderr)  # noqa: T201 (a command speaks)


def locate(error: BaseException | None) -> str:
    """Name a fault and where it happened, in one line."""
    frames = traceback.extract_tb(error.__traceback__) if error else None
    where = f" at {PurePath(frames[-1].filename).name}:{frames[-1].lineno}" if frames else ""
    return " ".join(f"{type(error).__name__}: {error}{where}".split())
