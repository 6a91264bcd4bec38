"""Writes the manual page and the shells' completions of the command line, from its own parser.

    python packaging/pages.py FOLDER

The files stand below FOLDER as below /usr/share. It needs what the extra ``pages`` of pyproject.toml names.
"""

import argparse
import sys
from pathlib import Path

import shtab
from argparse_manpage.manpage import Manpage

from laneproof import __version__
from laneproof.commands.table import make_parser

COMPLETIONS = {
    "bash": "bash-completion/completions/laneproof",
    "zsh": "zsh/site-functions/_laneproof",
    "fish": "fish/vendor_completions.d/laneproof.fish",
}
_FILES = ("FILE", "OUT", "REC", "BUILD", "SVG")
_FOLDERS = ("FOLDER",)


class _Wide(argparse.HelpFormatter):
    """Breaks no line: the page's reader has its own width."""

    def __init__(self, prog: str) -> None:
        super().__init__(prog, width=10_000)


def write_manual() -> str:
    """Write laneproof(1)."""
    parser = make_parser()
    parser._positionals.title = "commands"  # noqa: SLF001 (the library has no other way to name or list them)
    for command in _commands(parser):
        command.description = None  # it stands beside the command's name already
        command.formatter_class = _Wide
    page = Manpage(parser, format="single-commands-section")
    page.description = (parser.description or "").rstrip(".").lower()
    page.source = f"laneproof {__version__}"
    page.manual = "User commands"
    return str(page)


def write_completion(shell: str) -> str:
    """Write a shell's completion; where an argument names a file or a folder, the shell offers those."""
    parser = make_parser()
    for command in _commands(parser):
        for action in command._actions:  # noqa: SLF001 (likewise)
            if action.metavar in _FILES:
                action.complete = shtab.FILE  # type: ignore[attr-defined] # shtab looks for it
            elif action.metavar in _FOLDERS:
                action.complete = shtab.DIRECTORY  # type: ignore[attr-defined] # likewise
    return str(shtab.complete(parser, shell))


def _commands(parser: argparse.ArgumentParser) -> list[argparse.ArgumentParser]:
    subparsers = next(action for action in parser._actions if isinstance(action, argparse._SubParsersAction))  # noqa: SLF001 (likewise)
    return list(subparsers.choices.values())


def main() -> None:
    """Write all files below the folder that is named."""
    share = Path(sys.argv[1])
    pages = {"man/man1/laneproof.1": write_manual()}
    pages |= {name: write_completion(shell) for shell, name in COMPLETIONS.items()}
    for name, text in pages.items():
        (share / name).parent.mkdir(parents=True, exist_ok=True)
        (share / name).write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
