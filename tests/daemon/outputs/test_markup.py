"""What goes in as text comes out as text: read back by the standard library's own parsers."""

from html.parser import HTMLParser
from xml.etree import ElementTree as ET

import pytest
from hypothesis import given
from hypothesis import strategies as st

from laneproof.outputs.markup import Markup, document, join, tag


class _Reader(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.text = ""
        self.tags: list[tuple[str, dict[str, str | None]]] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_data(self, data: str) -> None:
        self.text += data


def read(markup: str) -> _Reader:
    reader = _Reader()
    reader.feed(markup)
    reader.close()
    return reader


@given(st.text(), st.text())
def test_any_text_comes_out_as_text(content: str, value: str) -> None:
    got = read(tag("p", content, title=value))
    assert [element[0] for element in got.tags] == ["p"]
    shown = "".join(part if part.isprintable() or part in "\n\t" else "\ufffd" for part in content)
    assert got.text == shown
    title = got.tags[0][1]["title"]
    assert title is not None
    assert len(title) == len(value)
    assert '"' not in tag("p", value).replace("&quot;", "")


def test_markup_is_passed_through_and_plain_text_is_not() -> None:
    assert tag("p", tag("b", "x"), "<b>") == "<p><b>x</b>&lt;b&gt;</p>"
    assert join(("a<", None, Markup("<br>"))) == "a&lt;<br>"


@pytest.mark.parametrize(
    ("attributes", "written"),
    [
        ({"class_": "note"}, ' class="note"'),
        ({"aria_label": "x"}, ' aria-label="x"'),
        ({"x1": 1.5, "y": 2}, ' x1="1.5" y="2"'),
        ({"defer": True, "open": False, "id": None}, " defer"),
    ],
)
def test_attributes(attributes: dict[str, str | float | bool | None], written: str) -> None:
    assert tag("i", **attributes) == f"<i{written}></i>"


def test_elements_that_hold_nothing_have_no_end() -> None:
    assert tag("br") == "<br>"
    assert tag("meta", charset="utf-8") == '<meta charset="utf-8">'
    assert tag("line", x1=1) == '<line x1="1"/>'


def test_a_drawing_is_well_formed_xml() -> None:
    drawing = tag("svg", tag("title", "a < b & c"), tag("line", x1=1), xmlns="http://www.w3.org/2000/svg")
    assert ET.fromstring(drawing)[0].text == "a < b & c"


def test_a_document_begins_with_its_type() -> None:
    assert document(tag("html", lang="en")) == '<!doctype html>\n<html lang="en"></html>\n'
