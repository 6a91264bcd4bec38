"""Questions to the person at the terminal, each with an answer that Return takes."""

import os
import sys
from collections.abc import Callable
from typing import TypeVar

from laneproof.commands.errors import CommandError
from laneproof.commands.terminal import guard, show

_Answer = TypeVar("_Answer")


class Questions:
    """Asks, or takes each offered answer where nobody is to be asked."""

    def __init__(self, *, take_offered: bool) -> None:
        """Take the terminal.

        Raises:
            CommandError: There is no terminal to ask at (64).
        """
        if not take_offered and not (sys.stdin and sys.stdin.isatty()):
            raise CommandError("it asks questions: run it at a terminal, or with --yes", status=os.EX_USAGE)
        self.take_offered = take_offered

    def ask(self, question: str, parse: Callable[[str], _Answer], *, offered: str | None = None) -> _Answer:
        """Ask until `parse` takes the answer; its ValueError says what is wrong with one.

        What is offered is what Return takes, and what is taken where nobody is asked.

        Raises:
            CommandError: The person left (75).
        """
        while True:
            answer = offered or ""
            if not self.take_offered:
                try:
                    asked = f"{question} [{offered}]: " if offered else f"{question}: "
                    answer = input(guard(asked)).strip() or answer
                except EOFError as error:
                    message = "stopped before all was answered; nothing was changed"
                    raise CommandError(message, status=os.EX_TEMPFAIL) from error
            try:
                return parse(answer)
            except ValueError as error:
                if self.take_offered:
                    raise
                show(f"  {error}\n")

    def confirm(self, question: str, *, offered: bool) -> bool:
        """Ask for yes or no."""
        return self.ask(f"{question} (yes or no)", _parse_yes_or_no, offered="yes" if offered else "no")


def _parse_yes_or_no(text: str) -> bool:
    for word, value in (("yes", True), ("no", False)):
        if text and word.startswith(text.casefold()):
            return value
    raise ValueError("answer yes or no")
