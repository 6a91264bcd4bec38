"""A terminal for a test: what is typed at it, or what is written to it."""

from io import StringIO


class Terminal(StringIO):
    def isatty(self) -> bool:
        return True
