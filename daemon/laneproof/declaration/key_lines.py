"""Where in the file each key stands, so that an error can name its line and an update can change one value alone.

The standard library's parser gives values without lines. This scanner walks a text that the parser has accepted
already, so it trusts the grammar; it is used when there is something to complain about, or to change.
"""

import re
import tomllib
from collections.abc import Callable
from dataclasses import dataclass

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
_PLAIN_VALUE = re.compile(r"[^,\]}\r\n#]*[^,\]}\r\n# \t]")
_TO_LINE_END = re.compile(r"[^\r\n#\"']*")
_COMMENT = re.compile(r"#[^\r\n]*")


@dataclass(frozen=True, slots=True, kw_only=True)
class KeyLine:
    """Where a key, a table or a list's item stands.

    Attributes:
        line: Counted from 1.
        name_at: Offset of the key's own name, the last of a dotted key; of the value for a list's item.
        start: Offset of the value.
        end: Offset after the value; the same as `start` for a table that a header or a dotted key makes.
        inline: Whether it stands inside brackets or braces.
    """

    line: int
    name_at: int
    start: int
    end: int
    inline: bool


def find_key_lines(text: str) -> dict[KeyPath, KeyLine]:
    """Find each key, table and list item of TOML that the standard library's parser accepts.

    Returns:
        Lines by the path of keys and list indices. What several headers share (``[[position]]``) is where it is first.
    """
    return _Scanner(text).scan()


def find_line_end(text: str, at: int) -> tuple[int, bool]:
    """Find where a comment can be added: the end of the line on which a value ends, before the line break.

    Returns:
        The offset, and whether the line ends in a comment already.
    """
    while match := _TO_LINE_END.match(text, at):
        at = match.end()
        if comment := _COMMENT.match(text, at):
            return comment.end(), True
        string = _STRING.match(text, at)
        if string is None:
            break
        at = string.end()
    return at, False


class _Scanner:
    def __init__(self, text: str) -> None:
        self._text = text
        self._at = 0
        self._counted_to = 0
        self._number = 1
        self._depth = 0
        self._lines: dict[KeyPath, KeyLine] = {}
        self._last_index: dict[KeyPath, int] = {}  # by the path of an array of tables

    def scan(self) -> dict[KeyPath, KeyLine]:
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
        *parents, (last, name_at) = self._key()
        self._at += 2 if is_array else 1
        path: KeyPath = ()
        for name, at in parents:
            path = self._newest((*path, name), at)
        path = (*path, last)
        if is_array:
            self._last_index[path] = self._last_index.get(path, -1) + 1
        return self._newest(path, name_at)

    def _newest(self, path: KeyPath, name_at: int) -> KeyPath:
        """Note a table that a header names; of an array of tables the header means the last one."""
        self._note(path, name_at, self._at, self._at)
        if path in self._last_index:
            path = (*path, self._last_index[path])
            self._note(path, name_at, self._at, self._at)
        return path

    def _pair(self, table: KeyPath) -> None:
        *parents, (last, name_at) = self._key()
        path = table
        for name, at in parents:
            path = (*path, name)
            self._note(path, at, at, at)
        self._at += 1  # the sign of equality
        self._skip(_SPACE)
        self._value((*path, last), name_at)

    def _key(self) -> list[tuple[str, int]]:
        names = []
        while True:
            self._skip(_SPACE)
            if match := _BARE_KEY.match(self._text, self._at):
                names.append((match[0], self._at))
            else:
                match = _STRING.match(self._text, self._at)
                names.append((tomllib.loads(f"key = {match[0]}")["key"] if match else "", self._at))
            self._at = match.end() if match else self._at
            self._skip(_SPACE)
            if not self._text.startswith(".", self._at):
                return names
            self._at += 1

    def _value(self, path: KeyPath, name_at: int) -> None:
        line, start, depth = self._number_at(name_at), self._at, self._depth
        if self._text.startswith("[", start):
            self._items(path, end="]", read=self._item)
        elif self._text.startswith("{", start):
            self._items(path, end="}", read=lambda path, _index: self._pair(path))
        elif not self._skip(_STRING):
            self._skip(_PLAIN_VALUE)
        self._lines[path] = KeyLine(line=line, name_at=name_at, start=start, end=self._at, inline=depth > 0)

    def _items(self, path: KeyPath, *, end: str, read: Callable[[KeyPath, int], None]) -> None:
        self._at += 1
        self._depth += 1
        index = 0
        self._skip(_BLANK)
        while self._at < len(self._text) and not self._text.startswith(end, self._at):
            read(path, index)
            index += 1
            self._skip(_BLANK)
            if self._text.startswith(",", self._at):
                self._at += 1
                self._skip(_BLANK)
        self._depth -= 1
        self._at += 1

    def _item(self, path: KeyPath, index: int) -> None:
        self._value((*path, index), self._at)

    def _skip(self, pattern: re.Pattern[str]) -> bool:
        match = pattern.match(self._text, self._at)
        if match:
            self._at = match.end()
        return match is not None

    def _note(self, path: KeyPath, name_at: int, start: int, end: int) -> None:
        key = KeyLine(line=self._number_at(name_at), name_at=name_at, start=start, end=end, inline=self._depth > 0)
        self._lines.setdefault(path, key)

    def _number_at(self, offset: int) -> int:
        # Offsets are asked in the order of the file, so that each line is counted once.
        if offset > self._counted_to:
            self._number += self._text.count("\n", self._counted_to, offset)
            self._counted_to = offset
        return self._number
