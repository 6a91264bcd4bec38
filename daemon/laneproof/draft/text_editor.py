"""Changing single values of a TOML text: comments, order and every odd space stay as their writer left them."""

import tomllib
from collections.abc import Iterable, Mapping
from copy import copy
from typing import Any, Self

import tomlkit

from laneproof.declaration.key_lines import KeyPath, find_key_lines, find_line_end


class TextEditor:
    """Collects changes by their offset in the text, and makes them all at the end."""

    def __init__(self, text: str, *, day: str) -> None:
        """Take a text that is TOML; its remarks name the day."""
        self.text = text
        self.day = day
        self._data: dict[str, Any] = tomllib.loads(text)
        self._lines = find_key_lines(text)
        self._newline = "\r\n" if "\r\n" in text else "\n"
        self._replacements: dict[tuple[int, int], str] = {}
        self._remarks: dict[int, list[str]] = {}

    def has(self, path: KeyPath) -> bool:
        """Whether something stands at a path."""
        return path in self._lines

    def is_bracketed(self, path: KeyPath) -> bool:
        """Whether a table or a list is written in braces or brackets, not by headers."""
        return path in self._lines and self._lines[path].end > self._lines[path].start

    def value_at(self, path: KeyPath) -> Any:  # noqa: ANN401 (parsed TOML)
        """Give what stands at a path; ask `has` first."""
        value: Any = self._data
        for step in path:
            value = value[step]
        return value

    def fork(self) -> Self:
        """Give a copy that can be changed further while this one stays."""
        other = copy(self)
        other._replacements, other._remarks = dict(self._replacements), dict(self._remarks)  # noqa: SLF001 (its own kind)
        return other

    def replace(self, path: KeyPath, value: object) -> None:
        """Put another value in place of one, and keep the old one in a comment."""
        line = self._lines[path]
        old = self.text[line.start : line.end]
        self._replacements[line.start, line.end] = write_value(value)
        if "\n" not in old:
            self.remark(path, f"was {path[-1]} = {old} until {self.day}")

    def insert_after(self, path: KeyPath, values: Mapping[str, object]) -> None:
        """Add keys beside one that stands there, in the form that it has."""
        line = self._lines[path]
        if line.inline:
            self._insert(line.end, "".join(f", {write_pair(key, value)}" for key, value in values.items()))
            return
        before_name = self.text[self.text.rfind("\n", 0, line.name_at) + 1 : line.name_at]
        end, _ = find_line_end(self.text, line.end)
        lines = (f"{self._newline}{before_name}{write_pair(key, value)}" for key, value in values.items())
        self._insert(end, "".join(lines))

    def append_items(self, path: KeyPath, items: Iterable[object]) -> None:
        """Add items at the end of a list in brackets."""
        added = ", ".join(write_value(item) for item in items)
        line = self._lines[path]
        ends = [item.end for key, item in self._lines.items() if key[:-1] == path]
        if ends:
            self._insert(max(ends), f", {added}")
        else:
            self._insert(line.start + 1, added)

    def remark(self, path: KeyPath, text: str) -> None:
        """Add a comment to the line on which a value ends."""
        end, _ = find_line_end(self.text, self._lines[path].end)
        self._remarks.setdefault(end, []).append(text)

    def is_remarked(self, path: KeyPath, text: str) -> bool:
        """Whether the line on which a value ends says something already."""
        line = self._lines[path]
        return text in self.text[line.start : find_line_end(self.text, line.end)[0]]

    def finish(self) -> str:
        """Give the text with every change made."""
        changes = dict(self._replacements)
        for end, remarks in self._remarks.items():
            line = self.text[self.text.rfind("\n", 0, end) + 1 : end]
            sign = "; " if find_line_end(line, 0)[1] else "  # "
            changes[end, end] = sign + "; ".join(remarks) + changes.get((end, end), "")
        text = self.text
        for (start, end), new in sorted(changes.items(), reverse=True):
            text = text[:start] + new + text[end:]
        return text

    def _insert(self, at: int, new: str) -> None:
        self._replacements[at, at] = self._replacements.get((at, at), "") + new


def write_value(value: object) -> str:
    """Write one value as TOML on one line; a table in braces."""
    if isinstance(value, list | tuple):
        return f"[{', '.join(map(write_value, value))}]"
    if isinstance(value, Mapping):
        return f"{{ {', '.join(write_pair(key, inner) for key, inner in value.items())} }}"
    # What would steer a terminal stands only between quotes; written by its number it means the same.
    return "".join(
        character if character.isprintable() or character in "\n\t" else rf"\U{ord(character):08x}"
        for character in tomlkit.item(value).as_string()
    )


def write_pair(key: str, value: object) -> str:
    """Write a key with its value."""
    return f"{key} = {write_value(value)}"
