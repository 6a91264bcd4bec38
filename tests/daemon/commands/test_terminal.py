"""What is found out of the reader's terminal."""

import io
import sys

import pytest

from laneproof.commands.terminal import find_style


class _Terminal(io.TextIOWrapper):
    def __init__(self, encoding: str) -> None:
        super().__init__(io.BytesIO(), encoding=encoding)

    def isatty(self) -> bool:
        return True


@pytest.fixture(autouse=True)
def surroundings(monkeypatch: pytest.MonkeyPatch) -> None:
    for name in ("NO_COLOR", "COLUMNS"):
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setenv("TERM", "xterm")


def test_a_terminal_gets_colour_and_all_characters(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "stdout", _Terminal("utf-8"))
    style = find_style()
    assert (style.colour, style.unicode) == (True, True)


def test_a_pipe_gets_no_colour_and_80_columns(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "stdout", io.TextIOWrapper(io.BytesIO(), encoding="utf-8"))
    monkeypatch.setattr(sys, "__stdout__", io.TextIOWrapper(io.BytesIO()))
    style = find_style()
    assert (style.colour, style.width) == (False, 80)


@pytest.mark.parametrize(("variable", "value"), [("NO_COLOR", "1"), ("TERM", "dumb")])
def test_who_wants_no_colour_gets_none(monkeypatch: pytest.MonkeyPatch, variable: str, value: str) -> None:
    monkeypatch.setattr(sys, "stdout", _Terminal("utf-8"))
    monkeypatch.setenv(variable, value)
    assert not find_style().colour


@pytest.mark.parametrize(
    ("encoding", "unicode"), [("utf-8", True), ("UTF-8", True), ("utf_16", True), ("ascii", False), ("latin-1", False)]
)
def test_line_drawing_needs_a_unicode_encoding(monkeypatch: pytest.MonkeyPatch, encoding: str, unicode: bool) -> None:  # noqa: FBT001 (a parameter of the table)
    monkeypatch.setattr(sys, "stdout", _Terminal(encoding))
    assert find_style().unicode == unicode


def test_the_width_asked_for_wins_and_is_never_too_narrow(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "100")
    assert [find_style(one).width for one in (None, 60, 3)] == [100, 60, 40]
