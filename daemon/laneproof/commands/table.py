"""The table of all commands with their options, and the parser made of it.

To add a command: a row here, and a module of its name beside this one with a function ``run(arguments) -> status``.
"""

import argparse
import os
from dataclasses import dataclass, field
from typing import Any, NoReturn

from laneproof import __version__


class _Parser(argparse.ArgumentParser):
    def error(self, message: str) -> NoReturn:
        """Say what is wrong in one line, with the status for wrong usage, not the parser's own 2."""
        self.exit(os.EX_USAGE, f"{self.prog}: {message}; see '{self.prog} --help'\n")


@dataclass(frozen=True, slots=True)
class Option:
    """One argument or option, as `argparse` takes it."""

    flags: tuple[str, ...]
    facts: dict[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Command:
    """One command: its name, what it does, its options in their order; a tuple of options excludes each other."""

    name: str
    says: str
    options: tuple[Option | tuple[Option, ...], ...]
    epilog: str | None = None


def _option(*flags: str, **facts: Any) -> Option:
    return Option(flags, facts)


def _flag(name: str, text: str) -> Option:
    return Option((name,), {"action": "store_true", "help": text})


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


# --- options that several commands have -------------------------------------------------------------------------------


def _source(verb: str, otherwise: str) -> tuple[Option, ...]:
    recording = f"{verb} a recording instead of {otherwise}this machine"
    return (
        _option("--from", dest="source", metavar="REC", help=recording),
        _flag("--demo", f"{verb} the demo's recording"),
    )


def _build(what: str = "the declaration (default: the installed one)") -> Option:
    return _option("--build", metavar="FILE", help=what)


def _since(default: str) -> Option:
    text = f"2026-11-20, or 30d (s, m, h, d, w) back (default {default}; of a recording: all of it)"
    return _option("--since", metavar="MOMENT", help=text)


_SOURCE = _source("read", "")
_JSON = _flag("--json", "print JSON")
_COMMON = (_SOURCE, _build("the declaration (default: /etc/laneproof/build.toml)"), _JSON)
_WIDTH = _option("--width", type=_positive, metavar="COLUMNS", help="width of the text (default: the terminal's)")
_STATE = _option("--state", metavar="FOLDER", help="where the daemon keeps its history")
_NOTIFY_CONFIG = _option("--config", metavar="FILE", help="its settings (default: /etc/laneproof/notify.toml)")
_MOMENT = "a recording, REC@MOMENT, an audit's JSON, or @MOMENT of the daemon's history (2026-11-20, 30d, now)"

# --- the commands -----------------------------------------------------------------------------------------------------

COMMANDS = (
    Command(
        "audit",
        "Compare the machine with its declaration, once.",
        (
            *_COMMON,
            _STATE,
            _WIDTH,
            (
                _flag(
                    "--follow",
                    "repeat it: a terminal is redrawn, elsewhere each change is a line; JSON only where it changed",
                ),
                _option(
                    "--html",
                    metavar="FILE",
                    help="write a report to keep, or to send with a claim, instead: one file that can be printed",
                ),
            ),
            _flag("--hide-serials", "with --html: write numbers instead of serial numbers"),
            _since("90d, with --html"),
        ),
    ),
    Command(
        "draft",
        "Write a declaration of the machine as it stands.",
        (
            _SOURCE,
            _option("-o", "--output", metavar="FILE", help="write to FILE, which must not exist, instead of printing"),
            _option("--update", metavar="FILE", help="keep the comments and labels of FILE, and add what is new"),
        ),
    ),
    Command(
        "budget",
        "Check a declaration at the desk, without its hardware.",
        (
            _option("build", nargs="?", metavar="BUILD", help="the declaration (default: the installed one)"),
            _option("--build", dest="named", metavar="FILE", help="the same, named as the other commands do"),
            _flag("--demo", "check the demo's declaration"),
            _JSON,
            _option("--picture", metavar="SVG", help="also write a picture of the box's lanes"),
        ),
    ),
    Command(
        "prove",
        "Prove the box under load, reading only: a verdict for each link and each drive.",
        (
            (
                _flag("--quick", "about 5 minutes"),
                _flag("--thorough", "a night; without either about 30 minutes"),
            ),
            _option("--only", metavar="POSITION", help="load this position's drive alone"),
            _option("--stages", metavar="NAMES", help="of rest,alone,small,together,wake,heat (default: all)"),
            _option("--rate", metavar="RATE", help="read at most so much of each drive: '1 GB/s'"),
            _option("--although", metavar="REASON", help="run it though it is refused; the reason is kept"),
            _build(),
            _flag("--demo", "show a run of the demo, at speed"),
            _option(
                "--compare",
                nargs=2,
                metavar=("A", "B"),
                help="compare two runs: files of -o, or @MOMENT for the last one before it in the daemon's history",
            ),
            _STATE,
            _option("-o", "--output", metavar="FILE", help="also write the report's JSON to FILE"),
            _JSON,
            _WIDTH,
        ),
        epilog="Exit status: 0 proven, 1 not, or refused, 2 not all could be shown, as with --quick or fewer --stages; "
        "69 where fio is missing, 75 while another run goes on. Nothing is written to any drive.",
    ),
    Command(
        "explain",
        "Explain a rule: what should hold, why it matters, what to do next.",
        (_option("rule", nargs="?", metavar="RULE", help="the rule's name; without one, all rules are listed"),),
    ),
    Command(
        "record",
        "Write a recording: the raw readings, enough to judge them elsewhere.",
        (
            _option("out", metavar="OUT", help="the file to write, which must not exist; packed if it ends in .gz"),
            _source("copy", "reading "),
            _option("--every", type=_seconds, default=60.0, metavar="S", help="seconds between passes (default 60)"),
            _option("--passes", type=_positive, default=1, metavar="N", help="how many passes (default 1)"),
            _flag("--hide-serials", "replace serial numbers and other unique names"),
            _option("--state", metavar="FOLDER", help="where the daemon keeps its history, for the owner's notes"),
        ),
    ),
    Command(
        "replay",
        "Run the daemon's engine over a recording at its own times.",
        (
            _option("recording", nargs="?", metavar="REC", help="the recording"),
            _flag("--demo", "replay the demo's recording"),
            _build("the declaration to compare with"),
            _flag("--json", "print JSON, one line for each change"),
        ),
    ),
    Command(
        "serve",
        "Keep watching, as a service.",
        (
            _SOURCE,
            (_build(), _flag("--without-declaration", "take the declaration out of force, until its file is changed")),
            _option("--config", metavar="FILE", help="the service's own settings"),
            _option("--listen", metavar="ADDRESS:PORT", help="where to answer HTTP (default 127.0.0.1:7766)"),
            _option("--token-file", metavar="FILE", help="the token that each request must show"),
            _option("--state", metavar="FOLDER", help="where to keep its history (default /var/lib/laneproof)"),
            _option(
                "--reader",
                metavar="SOCKET",
                help="ask the reader there for what only root may read (default: as root, read it itself)",
            ),
        ),
    ),
    Command(
        "setup",
        "Set the watch up: declare this machine, choose where evidence is kept, start the service.",
        (
            _flag("--yes", "ask nothing: take what is offered, and leave a declaration that is there as it is"),
            _flag("--update", "bring a declaration that is there up to date, and keep its comments and labels"),
            _option("--listen", metavar="ADDRESS:PORT", help="where to answer HTTP, if not at 127.0.0.1:7766"),
            _option(
                "--allow",
                action="append",
                default=[],
                metavar="NETWORK",
                help="who may ask there, such as 192.168.7.0/24; can be given again (default: private networks)",
            ),
            _option("--evidence", metavar="FOLDER", help="where to keep the evidence of disconnects"),
        ),
        epilog="It writes nothing before all is answered. Exit status: 0 the service runs, 1 nothing was changed.",
    ),
    Command(
        "metrics",
        "Print the metrics of this box once, for a collector that reads files.",
        (
            _SOURCE,
            _build(),
            _STATE,
            _option("-o", "--output", metavar="FILE", help="write to FILE as a whole, in the place of the one before"),
        ),
    ),
    Command(
        "trend",
        "Show how a position went over time: its link, its drive, what happened.",
        (
            _option(
                "position",
                nargs="?",
                metavar="POSITION",
                help="the position's label, any name or path of it, a drive's serial number, or an array's, chip's, "
                "port's name; without one, what got worse in the whole box",
            ),
            *_COMMON,
            _STATE,
            _since("30d"),
            _WIDTH,
        ),
    ),
    Command(
        "events",
        "List what happened: kernel's log, devices, findings, notes.",
        (*_COMMON, _STATE, _since("7d"), _WIDTH),
    ),
    Command(
        "note",
        "Note what you did or saw: a drive moved, another cable, a fan.",
        (
            _option("position", metavar="POSITION", help="the declared position's label; 'box' for the whole box"),
            _option("text", nargs="+", metavar="TEXT", help="what you did or saw, in your own words"),
            _build(),
            _STATE,
        ),
    ),
    Command(
        "confirm",
        "Confirm what a cause turned out to be; this box learns from it.",
        (
            _option("what", metavar="WHAT", help="an episode's number, or the position where something was wrong"),
            _option("cause", metavar="CAUSE", help="the cause, such as signal-path or drive-failing"),
            _option("--day", metavar="DAY", help="the day on which it was wrong, such as 2026-11-20 (default: lately)"),
            _build("the declaration, for labels (default: the installed one)"),
            _STATE,
        ),
    ),
    Command(
        "changes",
        "Show what changed in the box between two moments.",
        (
            _option("before", nargs="?", metavar="A", help=_MOMENT),
            _option("after", nargs="?", default="@now", metavar="B", help="likewise (default @now: this machine)"),
            _flag("--demo", "compare the demo's first and last frame"),
            _build("the declaration, for labels (default: the installed one)"),
            _STATE,
            _JSON,
        ),
        epilog="Exit status: 0 no change, 1 changes, 2 no change seen but something could be read at one moment only.",
    ),
    Command(
        "where",
        "Show where a drive is: from any name to its position, with a picture.",
        (
            *_COMMON,
            _option(
                "drive",
                metavar="DRIVE",
                help="a label, nvme3, nvme3n1p2, a /dev path, a serial number or its unique part, a bus address, a "
                "path, an array (md0) or a member of it (md0:2)",
            ),
            _option("--picture", metavar="SVG", help="also write a picture of the box with the drive marked"),
        ),
    ),
    Command(
        "replace",
        "Guide through exchanging a drive: may it go now, the steps, does the new one fit.",
        (
            *_COMMON,
            _option("position", metavar="POSITION", help="the position's label, or any name of the drive in it"),
            _flag("--print", "print the guide, and do not wait for the new drive"),
            _flag("--yes", "show the steps, and wait, though it is not safe now"),
            _option(
                "--was",
                metavar="SERIAL",
                help="only check the new drive: SERIAL was the old one's number, or 'none' where the position was "
                "empty",
            ),
            _option(
                "--timeout", type=_seconds, default=1800.0, metavar="S", help="seconds to wait at most (default 1800)"
            ),
            _option("--picture", metavar="SVG", help="also write a picture of the box with the positions marked"),
            _STATE,
        ),
        epilog="Exit status of the guide: 0 safe now, 1 not safe now, 2 not sure; of the check of the new drive: 0 it "
        "fits, 1 it does not, 2 not all could be read; 75 where no drive came in time. It changes nothing and runs "
        "nothing.",
    ),
    Command(
        "notify",
        "Send what the watch finds to people: mail, chat, push, webhook.",
        (
            _NOTIFY_CONFIG,
            _flag("--test", "send a test message to each address, and say how it went"),
            _option("--acknowledge", type=_positive, metavar="CASE", help="send no more reminders of a case"),
            _option("--because", metavar="REASON", help="why, with --acknowledge"),
        ),
        epilog="Exit status of --test: 0 every address took the message, 69 not every one did.",
    ),
    Command(
        "work",
        "Plan work on the box: what it causes is kept, and not sent.",
        (
            _option("do", nargs="?", choices=("start", "end"), help="without it, what is planned is shown"),
            _option("text", nargs="?", metavar="TEXT", help="what is done, with the positions' labels"),
            _option("--for", dest="length", default="2h", metavar="TIME", help="how long: 30m, 2h, 1d (default 2h)"),
            _NOTIFY_CONFIG,
        ),
    ),
    Command(
        "schema",
        "Print a JSON Schema: of the declaration, or of what audit and prove print as JSON.",
        (_option("of", choices=("build", "audit", "prove"), nargs="?", default="build", help="which (default build)"),),
    ),
)


def make_parser() -> argparse.ArgumentParser:
    """Build the parser of all commands."""
    parser = _Parser(prog="laneproof", description="Prove that this storage box is what its builder meant it to be.")
    parser.add_argument("--version", action="version", version=f"laneproof {__version__}")
    subparsers = parser.add_subparsers(dest="command", required=True, metavar="COMMAND", parser_class=_Parser)
    for command in COMMANDS:
        made = subparsers.add_parser(command.name, help=command.says, description=command.says, epilog=command.epilog)
        for option in command.options:
            if isinstance(option, Option):
                made.add_argument(*option.flags, **option.facts)
                continue
            group = made.add_mutually_exclusive_group()
            for member in option:
                group.add_argument(*member.flags, **member.facts)
    return parser
