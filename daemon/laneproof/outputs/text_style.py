"""How text is written: its width, whether colour may be used, and whether the terminal knows line-drawing characters.

Words carry the meaning; colour only repeats it. What a device calls itself is written without its control characters.
"""

import textwrap
from collections.abc import Iterable
from dataclasses import dataclass

NARROWEST = 40
"""What is to be narrower is written as wide as this."""
HEADING = "1"
"""The code of a heading: bold."""

_IN_ASCII = str.maketrans({"→": "->", "×": "x", "…": "...", "–": "-", "’": "'", "°": " deg "})  # noqa: RUF001 (meant)


def printable(text: str, *, keep: str = "") -> str:
    """Put question marks in the place of what would steer a terminal, control or direction, but what is to be kept."""
    if text.isprintable():
        return text
    return "".join(character if character.isprintable() or character in keep else "?" for character in text)


@dataclass(frozen=True, slots=True, kw_only=True)
class Style:
    """How to write: columns, whether colour may be used, and whether the terminal knows line-drawing characters."""

    width: int = 80
    colour: bool = False
    unicode: bool = True

    def __post_init__(self) -> None:
        """Keep to the narrowest width."""
        object.__setattr__(self, "width", max(self.width, NARROWEST))

    def paint(self, text: str, code: str) -> str:
        """Colour a text, where colour may be used."""
        return f"\x1b[{code}m{text}\x1b[0m" if self.colour and code else text

    @property
    def branch(self) -> tuple[str, str, str]:
        """A child, the last child, and the line past one."""
        return ("├─ ", "└─ ", "│  ") if self.unicode else ("|- ", "`- ", "|  ")

    @property
    def arrow(self) -> str:
        """From declared to trained."""
        return "→" if self.unicode else "->"

    def clean(self, text: str) -> str:
        """Leave out what would steer the terminal, and what it cannot show."""
        shown = printable(text)
        if self.unicode:
            return shown
        return shown.translate(_IN_ASCII).encode("ascii", "replace").decode()

    def cut(self, text: str, room: int) -> str:
        """Shorten a text to a number of columns, and show that it was."""
        if len(text) <= room:
            return text
        return f"{text[: max(room - 1, 0)].rstrip()}{'…' if self.unicode else '~'}"

    def wrap(self, text: str, first: str = "", rest: str | None = None) -> list[str]:
        """Break a text into lines: the first begins with `first`, others with `rest` or two columns more."""
        return textwrap.wrap(
            self.clean(text),
            self.width,
            initial_indent=first,
            subsequent_indent=f"{first}  " if rest is None else rest,
            break_on_hyphens=False,
        )

    def wrap_each(self, texts: Iterable[str], first: str = "  ", rest: str | None = None) -> list[str]:
        """Break several texts into lines, each as `wrap` does."""
        return [line for text in texts for line in self.wrap(text, first, rest)]

    def put_under(self, heading: str, lines: Iterable[str]) -> list[str]:
        """Put lines under a heading, with a blank line before it; nothing where there are none."""
        body = list(lines)
        return ["", *self.head(heading), *body] if body else []

    def head(self, heading: str) -> list[str]:
        """Break a heading into painted lines."""
        return [self.paint(line, HEADING) for line in self.wrap(heading, rest="")]

    def wrap_under(self, title: str, text: str, code: str, first: str = "", rest: str | None = None) -> list[str]:
        """Break a text that begins with a title as `wrap` does, and paint the title."""
        lines, title = self.wrap(title + text, first, rest), self.clean(title)
        if lines[0].startswith(first + title):  # a title that was broken itself stays as it is
            lines[0] = first + self.paint(title, code) + lines[0].removeprefix(first + title)
        return lines
