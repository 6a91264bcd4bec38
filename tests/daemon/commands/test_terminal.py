"""What is found out of the reader's terminal."""

import io
import json
import re
import sys

import pytest
from hypothesis import given
from hypothesis import strategies as st

from laneproof.commands import terminal
from laneproof.commands.terminal import find_style, guard, pass_on, show, write_json

_OWN = r"\x1b\[(?:0|1|1;31|32|33|36)m"


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


def written(stream: io.TextIOWrapper) -> str:
    stream.flush()
    assert isinstance(stream.buffer, io.BytesIO)
    return stream.buffer.getvalue().decode()


def test_only_our_own_colours_steer_the_terminal(monkeypatch: pytest.MonkeyPatch) -> None:
    stream = _Terminal("utf-8")
    monkeypatch.setattr(sys, "stdout", stream)
    show(find_style().paint("bad", "1;31") + "\x1b[8m\x1b[2J\x1b]0;x\x07 \u202e\n")
    pass_on("\x1b[2J\n")
    assert written(stream) == "\x1b[1;31mbad\x1b[0m?[8m?[2J?]0;x? ?\n?[2J\n"


@given(st.text(), st.booleans())
def test_any_text_leaves_nothing_that_steers(text: str, colour: bool) -> None:
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(terminal, "_may_colour", lambda: colour)
        shown = guard(f"{text}\x1b[1;31m{text}\x1b[0m")
        assert shown.count("\x1b") == (2 if colour else 0) + 2 * len(re.findall(_OWN, text)) * colour
    assert all(character.isprintable() or character in "\n\t\x1b" for character in shown)
    assert re.sub(_OWN, "", shown).count("\x1b") == 0


@given(st.recursive(st.text() | st.none() | st.floats(), lambda inner: st.dictionaries(st.text(), inner), max_leaves=5))
def test_json_is_printable_ascii_and_reads_back_as_itself(value: object) -> None:
    written = write_json(value)
    assert written.isascii()
    assert written.isprintable()
    assert repr(json.loads(written)) == repr(value)  # a number that is none equals nothing


def test_a_pipe_gets_no_escape_unless_it_asked_for_all(monkeypatch: pytest.MonkeyPatch) -> None:
    pipe = io.TextIOWrapper(io.BytesIO(), encoding="utf-8")
    monkeypatch.setattr(sys, "stdout", pipe)
    show("\x1b[1mbold\x1b[0m\n")
    pass_on("\x1b[2J\n")
    assert written(pipe) == "?[1mbold?[0m\n\x1b[2J\n"


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
def test_line_drawing_needs_a_unicode_encoding(monkeypatch: pytest.MonkeyPatch, encoding: str, unicode: bool) -> None:
    monkeypatch.setattr(sys, "stdout", _Terminal(encoding))
    assert find_style().unicode == unicode


def test_the_width_asked_for_wins_and_is_never_too_narrow(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "100")
    assert [find_style(width).width for width in (None, 60, 3)] == [100, 60, 40]
