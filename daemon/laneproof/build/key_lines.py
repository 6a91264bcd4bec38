"""Where in the file each key stands, so that an error can name its line.

The standard library's parser gives values without places. This scanner walks a text that the parser has accepted
already, so it trusts the grammar and only counts lines; it is used when there is something to complain about.
"""

import re
import tomllib
from collections.abc import Callable

KeyPath = tuple[str | int, ...]

_BLANK = re.compile(r"(?:[ \t\r\n]|#[^\n]*)*")
_SPACE = re.compile(r"[ \t]*")
_BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")
_STRING = re.compile(
    r'"""(?:[^"\\]|\\.|"{1,2}(?!"))*"{3,5}'
    r"|'''(?:[^']|'{1,2}(?!'))*'{3,5}"
    r'|"(?:[^"\\]|\\.)*"'
    r"|'[^']*'",
    re.DOTALL,
)
_PLAIN_VALUE = re.compile(r"[^,\]}\r\n#]*")


def find_key_lines(text: str) -> dict[KeyPath, int]:
    """Find the line of each key, table header and list item.

    Args:
        text: TOML that the standard library's parser accepts.

    Returns:
        Line, counted from 1, by the path of keys and list indices.
    """
    return _Scanner(text).scan()


class _Scanner:
    def __init__(self, text: str) -> None:
        self._text = text
        self._at = 0
        self._counted_to = 0
        self._line = 1
        self._lines: dict[KeyPath, int] = {}
        self._last_index: dict[KeyPath, int] = {}  # by the path of an array of tables

    def scan(self) -> dict[KeyPath, int]:
        table: KeyPath = ()
        self._skip(_BLANK)
        while self._at < len(self._text):
            if self._text[self._at] == "[":
                table = self._header()
            else:
                self._pair(table)
            self._skip(_BLANK)
        return self._lines

    def _header(self) -> KeyPath:
        is_array = self._text.startswith("[[", self._at)
        self._at += 2 if is_array else 1
        *parents, last = self._key()
        self._at += 2 if is_array else 1
        path = (*self._resolve(parents), last)
        self._note(path)
        if is_array:
            self._last_index[path] = self._last_index.get(path, -1) + 1
        path = self._resolve_last(path)
        self._note(path)
        return path

    def _resolve(self, names: list[str]) -> KeyPath:
        path: KeyPath = ()
        for name in names:
            path = self._resolve_last((*path, name))
            self._note(path)
        return path

    def _resolve_last(self, path: KeyPath) -> KeyPath:
        return (*path, self._last_index[path]) if path in self._last_index else path

    def _pair(self, table: KeyPath) -> None:
        path = table
        for name in self._key():
            path = (*path, name)
            self._note(path)
        self._at += 1  # the sign of equality
        self._value(path)

    def _key(self) -> list[str]:
        names = []
        while True:
            self._skip(_SPACE)
            if match := _BARE_KEY.match(self._text, self._at):
                names.append(match[0])
            else:
                match = _STRING.match(self._text, self._at)
                names.append(tomllib.loads(f"key = {match[0]}")["key"] if match else "")
            self._at = match.end() if match else self._at
            self._skip(_SPACE)
            if not self._text.startswith(".", self._at):
                return names
            self._at += 1

    def _value(self, path: KeyPath) -> None:
        self._skip(_SPACE)
        if self._text.startswith("[", self._at):
            self._items(path, end="]", read=self._item)
        elif self._text.startswith("{", self._at):
            self._items(path, end="}", read=lambda path, _index: self._pair(path))
        elif not self._skip(_STRING):
            self._skip(_PLAIN_VALUE)

    def _items(self, path: KeyPath, *, end: str, read: Callable[[KeyPath, int], None]) -> None:
        self._at += 1
        index = 0
        self._skip(_BLANK)
        while self._at < len(self._text) and not self._text.startswith(end, self._at):
            read(path, index)
            index += 1
            self._skip(_BLANK)
            if self._text.startswith(",", self._at):
                self._at += 1
                self._skip(_BLANK)
        self._at += 1

    def _item(self, path: KeyPath, index: int) -> None:
        self._note((*path, index))
        self._value((*path, index))

    def _skip(self, pattern: re.Pattern[str]) -> bool:
        match = pattern.match(self._text, self._at)
        if match:
            self._at = match.end()
        return match is not None

    def _note(self, path: KeyPath) -> None:
        self._line += self._text.count("\n", self._counted_to, self._at)
        self._counted_to = self._at
        self._lines.setdefault(path, self._line)
