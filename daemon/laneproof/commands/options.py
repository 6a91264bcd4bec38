"""The reference of all commands and options, docs/options.md, made of the parser itself.

``python -m laneproof.commands.options >docs/options.md`` writes that file; a test finds it out of date.
"""

import argparse
import re
from collections.abc import Iterator

from laneproof.commands.table import make_parser

_OPENING = """# Commands and options

<!-- Written by `python -m laneproof.commands.options`; change `commands/table.py`, not this file. -->

`laneproof COMMAND [OPTION...]`. Recordings and declarations are named by file; `--demo` takes the box that comes with
the program. Exit statuses are in [after a change](audit-after-a-change.md).
"""


def write_options() -> str:
    """Write the reference of all commands and options."""
    subparsers = next(action for action in make_parser()._actions if isinstance(action, argparse._SubParsersAction))  # noqa: SLF001 (the library has no other way to list them)
    lines = [_OPENING]
    for name, command in subparsers.choices.items():
        lines += _write_command(name, command)
    return "\n".join(lines).rstrip() + "\n"


def _write_command(name: str, command: argparse.ArgumentParser) -> Iterator[str]:
    yield f"## {name}"
    yield ""
    yield command.description or ""
    yield ""
    yield "| argument | what it does |"
    yield "| --- | --- |"
    for action in command._actions:  # noqa: SLF001 (likewise)
        if not isinstance(action, argparse._HelpAction):  # noqa: SLF001 (likewise)
            yield f"| `{_name(action)}` | {_escape(action.help or '')} |"
    yield ""
    if command.epilog:
        yield command.epilog
        yield ""


def _name(action: argparse.Action) -> str:
    value = str(action.metavar or "/".join(map(str, action.choices or ())))
    if not action.option_strings:
        return f"[{value}]" if action.nargs == "?" else value
    return f"{', '.join(action.option_strings)} {value}".rstrip()


def _escape(text: str) -> str:
    return re.sub(r"([|<>])", r"\\\1", text)


if __name__ == "__main__":
    print(write_options(), end="")  # noqa: T201 (the output)
