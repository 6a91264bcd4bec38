"""What every page has around its content: its age in words and where its parts are."""

import pytest

from laneproof.outputs.markup import tag
from laneproof.outputs.page.shell import LATE_SECONDS, write_age, write_document
from laneproof.outputs.page.words import FROM_BELOW, FROM_HOME, Links
from support.html_tree import read_html


@pytest.mark.parametrize(
    ("age", "words"),
    [(None, "Read at 2026-09-21 14:13 UTC"), (61.0, "Read 1 minute ago (late) , at 2026-09-21 14:13 UTC")],
)
def test_the_age_is_said_in_words(age: float | None, words: str) -> None:
    assert read_html(str(write_age(1_790_000_000.0, age))).text.startswith(words)


@pytest.mark.parametrize(("links", "style"), [(FROM_HOME, "style.css"), (FROM_BELOW, "../style.css")])
@pytest.mark.parametrize("age", [None, LATE_SECONDS, LATE_SECONDS + 1.0])
def test_a_late_page_is_marked_and_finds_its_style(links: Links, style: str, age: float | None) -> None:
    text = write_document("x", tag("h1", "x"), tag("p", "x"), age_seconds=age, links=links)
    shown = read_html(text)
    assert shown.one("link", rel="stylesheet").attributes["href"] == style
    assert (shown.one("body").attributes.get("class") == "late") == (age is not None and age > LATE_SECONDS)
