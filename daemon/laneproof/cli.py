"""The command line: arguments in, an exit status out, and never a traceback for what a user or a machine did.

Exit statuses: ``audit`` 0 all holds, 1 something differs or shows a sign, 2 something could not be verified. Wrong
usage, input and rights use the numbers of sysexits.h (64, 65, 66, 73, 77, 78).
"""

import argparse
import contextlib
import importlib
import io
import logging
import os
import sys
import traceback
from collections.abc import Callable, Sequence
from pathlib import Path
from types import TracebackType
from typing import NoReturn

from laneproof import __version__
from laneproof.commands.errors import CommandError

Run = Callable[[argparse.Namespace], int]
INTERRUPTED = 130
"""As a shell tells an interrupt: 128 and the signal's number."""
TRACEBACKS = "LANEPROOF_TRACEBACK"
"""Set in the environment: a fault of the program shows where it happened, for a report."""


class _Parser(argparse.ArgumentParser):
    def error(self, message: str) -> NoReturn:
        """Say what is wrong in one line, with the status for wrong usage, not the parser's own 2."""
        self.exit(os.EX_USAGE, f"{self.prog}: {message}; see '{self.prog} --help'\n")


def _run(name: str) -> Run:
    """Give a command that imports its own module only when it is run, so that each starts at once."""

    def run(arguments: argparse.Namespace) -> int:
        status: int = importlib.import_module(f"laneproof.commands.{name}").run(arguments)
        return status

    return run


def make_parser() -> argparse.ArgumentParser:
    """Build the parser of all commands."""
    parser = _Parser(prog="laneproof", description="Prove that this storage box is what its builder meant it to be.")
    parser.add_argument("--version", action="version", version=f"laneproof {__version__}")
    commands = parser.add_subparsers(dest="command", required=True, metavar="COMMAND", parser_class=_Parser)

    def add(name: str, says: str) -> argparse.ArgumentParser:
        command = commands.add_parser(name, help=says, description=says)
        command.set_defaults(run=_run(name))
        return command

    audit = add("audit", "Compare the machine with its declaration, once.")
    _add_common(audit)
    audit.add_argument("--width", type=_positive, metavar="COLUMNS", help="width of the text (default: the terminal's)")

    draft = add("draft", "Write a declaration of the machine as it stands.")
    _add_source(draft)
    draft.add_argument(
        "-o", "--output", metavar="FILE", help="write to FILE, which must not exist, instead of printing"
    )
    draft.add_argument("--update", metavar="FILE", help="keep the comments and labels of FILE, and add what is new")

    budget = add("budget", "Check a declaration at the desk, without its hardware.")
    budget.add_argument("build", nargs="?", metavar="BUILD", help="the declaration (default: the installed one)")
    budget.add_argument("--build", dest="named", metavar="FILE", help="the same, named as the other commands do")
    budget.add_argument("--demo", action="store_true", help="check the demo's declaration")
    budget.add_argument("--json", action="store_true", help="print JSON")
    budget.add_argument("--picture", metavar="SVG", help="also write a picture of the box's lanes")

    explain = add("explain", "Explain a rule: what should hold, why it matters, what to look at next.")
    explain.add_argument("rule", nargs="?", metavar="RULE", help="the rule's name; without one, all rules are listed")

    _add_recordings(add)

    serve = add("serve", "Keep watching, as a service.")
    _add_source(serve)
    serve.add_argument("--build", metavar="FILE", help="the declaration (default: the installed one)")
    serve.add_argument("--config", metavar="FILE", help="the service's own settings")
    serve.add_argument("--listen", metavar="ADDRESS:PORT", help="where to answer HTTP (default 127.0.0.1:7766)")
    serve.add_argument("--state", metavar="FOLDER", help="where to keep its history (default /var/lib/laneproof)")

    _add_history(add)

    changes = add("changes", "Tell what changed in the box between two looks.")
    _add_looks(changes)

    where = add("where", "Tell where a drive is: from any name to its position, with a picture.")
    _add_common(where)
    where.add_argument(
        "drive",
        metavar="DRIVE",
        help="a label, nvme3, nvme3n1p2, a /dev path, a serial number or its unique part, a bus address, a path, "
        "an array (md0) or a member of it (md0:2)",
    )
    where.add_argument("--picture", metavar="SVG", help="also write a picture of the box with the drive marked")

    replace = add("replace", "Guide through exchanging a drive: may it go now, the steps, does the new one fit.")
    _add_common(replace)
    _add_replace(replace)

    schema = add("schema", "Print a JSON Schema: of the declaration, or of the audit's JSON.")
    schema.add_argument("of", choices=("build", "audit"), nargs="?", default="build", help="which (default build)")
    return parser


def _add_recordings(add: Callable[[str, str], argparse.ArgumentParser]) -> None:
    record = add("record", "Write a recording: the raw readings, enough to judge them elsewhere.")
    record.add_argument("out", metavar="OUT", help="the file to write, packed if it ends in .gz")
    source = record.add_mutually_exclusive_group()
    source.add_argument("--from", dest="source", metavar="REC", help="copy a recording instead of reading this machine")
    source.add_argument("--demo", action="store_true", help="copy the demo's recording")
    record.add_argument("--every", type=_seconds, default=60.0, metavar="S", help="seconds between passes (default 60)")
    record.add_argument("--passes", type=_positive, default=1, metavar="N", help="how many passes (default 1)")
    record.add_argument("--hide-serials", action="store_true", help="replace serial numbers and other unique names")

    replay = add("replay", "Run the daemon's engine over a recording at its own times.")
    replay.add_argument("recording", nargs="?", metavar="REC", help="the recording")
    replay.add_argument("--demo", action="store_true", help="replay the demo's recording")
    replay.add_argument("--build", metavar="FILE", help="the declaration to hold it against")
    replay.add_argument("--json", action="store_true", help="print JSON, a line a change")


def _add_history(add: Callable[[str, str], argparse.ArgumentParser]) -> None:
    trend = add("trend", "Show how a position went over time: its link, its drive, what happened.")
    named = "the position's label, any name or path of it, a drive's serial number, or an array's, chip's, port's name"
    trend.add_argument("position", metavar="POSITION", help=named)
    _add_past(trend, "30d")
    _add_past(add("events", "List what happened: kernel's log, devices, findings, notes."), "7d")
    _add_told(add)


def _add_told(add: Callable[[str, str], argparse.ArgumentParser]) -> None:
    note = add("note", "Tell the daemon what you did or saw: a drive moved, another cable, a fan.")
    note.add_argument("position", metavar="POSITION", help="the declared position's label; 'box' for the whole box")
    note.add_argument("text", nargs="+", metavar="TEXT", help="what you did or saw, in your own words")
    note.add_argument("--build", metavar="FILE", help="the declaration (default: the installed one)")
    confirm = add("confirm", "Tell what an episode's cause turned out to be; this box learns from it.")
    confirm.add_argument("episode", type=_positive, metavar="EPISODE", help="the episode's number")
    confirm.add_argument("cause", metavar="CAUSE", help="the cause, such as signal-path or drive-failing")
    for command in (note, confirm):
        command.add_argument("--state", metavar="FOLDER", help="where the daemon keeps its history")


def _add_past(command: argparse.ArgumentParser, default: str) -> None:
    _add_common(command)
    command.add_argument("--state", metavar="FOLDER", help="where the daemon keeps its history")
    command.add_argument(
        "--since",
        metavar="MOMENT",
        help=f"2026-11-20, or 30d (s, m, h, d, w) back (default {default}; of a recording: all of it)",
    )
    command.add_argument(
        "--width", type=_positive, metavar="COLUMNS", help="width of the text (default: the terminal's)"
    )


def _add_looks(changes: argparse.ArgumentParser) -> None:
    look = "a recording, REC@MOMENT, an audit's JSON, or @MOMENT of the daemon's history (2026-11-20, 30d, now)"
    changes.add_argument("before", nargs="?", metavar="A", help=look)
    changes.add_argument("after", nargs="?", default="@now", metavar="B", help="likewise (default @now: this machine)")
    changes.add_argument("--demo", action="store_true", help="compare the demo's first and last frame")
    changes.add_argument("--build", metavar="FILE", help="the declaration, for labels (default: the installed one)")
    changes.add_argument("--state", metavar="FOLDER", help="where the daemon keeps its history")
    changes.add_argument("--json", action="store_true", help="print JSON")
    changes.epilog = (
        "Exit status: 0 no change, 1 changes, 2 no change seen but one look could not read what the other did."
    )


def _add_replace(replace: argparse.ArgumentParser) -> None:
    replace.add_argument("position", metavar="POSITION", help="the position's label, or any name of the drive in it")
    replace.add_argument("--print", action="store_true", help="print the guide, and do not wait for the new drive")
    replace.add_argument("--yes", action="store_true", help="show the steps, and wait, though it is not safe now")
    replace.add_argument(
        "--was",
        metavar="SERIAL",
        help="only look at the new drive: SERIAL was the old one's number, or 'none' where the place was empty",
    )
    replace.add_argument(
        "--timeout", type=_seconds, default=1800.0, metavar="S", help="seconds to wait at most (default 1800)"
    )
    replace.add_argument("--picture", metavar="SVG", help="also write a picture of the box with the places marked")
    replace.add_argument("--state", metavar="FOLDER", help="where the daemon keeps its history")
    replace.epilog = (
        "Exit status of the guide: 0 safe now, 1 not safe now, 2 not sure; of the look at the new drive: 0 it fits, "
        "1 it does not, 2 not all could be read; 75 where no drive came in time. It changes nothing and runs nothing."
    )


def _add_source(command: argparse.ArgumentParser) -> None:
    source = command.add_mutually_exclusive_group()
    source.add_argument("--from", dest="source", metavar="REC", help="read a recording instead of this machine")
    source.add_argument("--demo", action="store_true", help="read the demo's recording")


def _add_common(command: argparse.ArgumentParser) -> None:
    _add_source(command)
    command.add_argument("--build", metavar="FILE", help="the declaration (default: /etc/laneproof/build.toml)")
    command.add_argument("--json", action="store_true", help="print JSON")


def _positive(text: str) -> int:
    if not text.isascii() or not text.isdecimal() or int(text) < 1:
        raise argparse.ArgumentTypeError(f"not a whole number above 0: {text!r}")
    return int(text)


def _seconds(text: str) -> float:
    try:
        seconds = float(text)
    except ValueError:
        seconds = -1.0
    if not 0.0 <= seconds < float("inf"):
        raise argparse.ArgumentTypeError(f"not a number of seconds: {text!r}")
    return seconds


class _OneLine(logging.Formatter):
    """A fault told in one line: a person who asked for an audit is no reader of tracebacks."""

    def formatException(  # noqa: N802 (the library's name)
        self, ei: tuple[type[BaseException], BaseException, TracebackType | None] | tuple[None, None, None]
    ) -> str:
        return super().formatException(ei) if os.environ.get(TRACEBACKS) else f"  {_locate(ei[1])}"


def _locate(error: BaseException | None) -> str:
    """Name a fault and where it happened, in one line."""
    frames = traceback.extract_tb(error.__traceback__) if error else None
    place = f" at {os.path.basename(frames[-1].filename)}:{frames[-1].lineno}" if frames else ""  # noqa: PTH119 (text)
    return " ".join(f"{type(error).__name__}: {error}{place}".split())


def _open_closed_streams() -> None:
    """Give what was closed before the start (``>&-``) somewhere to go: the exit status still tells."""
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
    line = "laneproof: %(message)s"
    # The daemon's log is read by who mends the program; a fault in it keeps its traceback.
    handler.setFormatter(logging.Formatter(line) if arguments.command == "serve" else _OneLine(line))
    logging.basicConfig(level=logging.WARNING, handlers=[handler])
    _prepare_streams(arguments.command)
    try:
        status = int(arguments.run(arguments))
        sys.stdout.flush()
    except CommandError as error:
        return _stop(str(error), error.status)
    except BrokenPipeError:
        _silence_stdout()  # the reader of a pipe has seen enough
        return os.EX_OK
    except KeyboardInterrupt:
        return INTERRUPTED
    except OSError as error:
        _silence_stdout()
        return _stop(f"{error.filename or 'the output'}: {(error.strerror or str(error)).lower()}", os.EX_IOERR)
    except Exception as error:  # noqa: BLE001 (the last fence: a fault of ours is one line and a status)
        if os.environ.get(TRACEBACKS):
            traceback.print_exc()
        hint = f"please report it; {TRACEBACKS}=1 in the environment shows the whole way"
        return _stop(f"a fault of the program, {_locate(error)}; {hint}", os.EX_SOFTWARE)
    return status


def _stop(message: str, status: int) -> int:
    with contextlib.suppress(OSError):
        sys.stdout.flush()
    print(f"laneproof: {message}", file=sys.stderr)  # noqa: T201 (a command speaks)
    return status


def _silence_stdout() -> None:
    """Let the interpreter's own flush at its end go nowhere, so that it does not complain again."""
    with contextlib.suppress(OSError, ValueError):
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


if __name__ == "__main__":
    sys.exit(main())
