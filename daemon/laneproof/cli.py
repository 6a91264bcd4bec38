"""The command line: arguments in, an exit status out, and never a traceback for what a user or a machine did.

Exit statuses: ``audit`` 0 all holds, 1 something differs or shows a sign, 2 something could not be verified. Wrong
usage, input and rights use the numbers of sysexits.h (64, 65, 66, 73, 77, 78).
"""

import contextlib
import importlib
import io
import logging
import os
import sys
import traceback
from collections.abc import Sequence
from pathlib import Path

from laneproof.commands.errors import CommandError
from laneproof.commands.table import make_parser
from laneproof.commands.terminal import silence_output
from laneproof.service.log_lines import TRACEBACKS, LineFormatter, locate, say

INTERRUPTED = 130
"""As a shell reports an interrupt: 128 and the signal's number."""


def _open_closed_streams() -> None:
    """Give what was closed before the start (``>&-``) somewhere to go: the exit status still says it."""
    for name in ("stdout", "stderr"):
        if getattr(sys, name) is None:
            setattr(sys, name, Path(os.devnull).open("w", encoding="utf-8"))  # noqa: SIM115 (lasts as the program)


def _prepare_streams(command: str) -> None:
    """Let no output fail for a character: a drafted file is UTF-8 always, other text shows what it can."""
    if isinstance(sys.stdout, io.TextIOWrapper):
        if command == "draft":
            sys.stdout.reconfigure(encoding="utf-8")
        else:
            sys.stdout.reconfigure(errors="backslashreplace")


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command.

    Args:
        argv: The arguments after the program's name; None for the process's own.

    Returns:
        The exit status.
    """
    _open_closed_streams()
    arguments = make_parser().parse_args(argv)
    handler = logging.StreamHandler()
    # The daemon's log is read by who mends the program; a fault in it keeps its traceback.
    shows_tracebacks = arguments.command == "serve" or bool(os.environ.get(TRACEBACKS))
    handler.setFormatter(LineFormatter(shows_tracebacks=shows_tracebacks))
    logging.basicConfig(level=logging.WARNING, handlers=[handler])
    _prepare_streams(arguments.command)
    try:
        # A command's module is imported only when it is run, so that each starts at once.
        status = int(importlib.import_module(f"laneproof.commands.{arguments.command}").run(arguments))
        sys.stdout.flush()
    except CommandError as error:
        return _stop(str(error), error.status)
    except BrokenPipeError:
        silence_output()  # the reader of a pipe has seen enough of a replay
        return os.EX_OK
    except KeyboardInterrupt:
        return INTERRUPTED
    except OSError as error:
        silence_output()
        return _stop(f"{error.filename or 'the output'}: {(error.strerror or str(error)).lower()}", os.EX_IOERR)
    except Exception as error:  # noqa: BLE001 (the last fence: a fault of ours is one line and a status)
        if os.environ.get(TRACEBACKS):
            traceback.print_exc()
        hint = f"please report it; {TRACEBACKS}=1 in the environment shows the whole way"
        return _stop(f"a fault of the program, {locate(error)}; {hint}", os.EX_SOFTWARE)
    return status


def _stop(message: str, status: int) -> int:
    with contextlib.suppress(OSError):
        sys.stdout.flush()
    say(message, logging.ERROR)
    return status


if __name__ == "__main__":
    sys.exit(main())
