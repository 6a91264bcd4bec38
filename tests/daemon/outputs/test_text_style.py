"""How text is written: within its width, without what steers a terminal, with colour only where it may be used."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from laneproof.outputs.text_style import NARROWEST, Style


def test_no_text_is_narrower_than_the_narrowest() -> None:
    assert Style(width=10).width == NARROWEST
    assert Style(width=NARROWEST + 1).width == NARROWEST + 1


@given(
    text=st.text(max_size=200), title=st.text(min_size=1, max_size=90), width=st.integers(0, 90), unicode=st.booleans()
)
def test_wrapped_lines_fit_and_steer_no_terminal(text: str, title: str, width: int, unicode: bool) -> None:
    style = Style(width=width, unicode=unicode)
    for lines in (style.wrap(text, "  - "), style.wrap_under(title, f": {text}", "1", "  ")):
        assert all(len(line) <= style.width for line in lines)
        assert all(character.isprintable() for line in lines for character in line)
        assert unicode or "".join(lines).isascii()


def test_the_first_line_and_the_rest_have_their_own_beginnings() -> None:
    style = Style(width=NARROWEST)
    assert style.wrap("word " * 10, "1. ", "   ") == ["1. " + "word " * 6 + "word", "   word word word"]
    assert style.wrap("word " * 10, "  ")[1].startswith("    word")


def test_only_the_title_is_painted_and_only_where_colour_may_be_used() -> None:
    assert Style(colour=True).wrap_under("kelp-1", ": holds", "32") == ["\x1b[32mkelp-1\x1b[0m: holds"]
    assert Style().wrap_under("kelp-1", ": holds", "32") == ["kelp-1: holds"]


@pytest.mark.parametrize(("unicode", "cut"), [(True, "abc…"), (False, "abc~")])
def test_a_cut_is_shown(unicode: bool, cut: str) -> None:
    assert Style(unicode=unicode).cut("abcdef", 4) == cut
    assert Style(unicode=unicode).cut("abcd", 4) == "abcd"
