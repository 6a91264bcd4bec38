"""Reads a page back into a tree with the standard library's parser, for tests of what people see.

What holds of each page is held each time that one is read: its elements are HTML's and SVG's, each name in it is there
once, what refers to a name finds it, the style sheet knows each class, and a drawing speaks or is silent beside words.
"""

import re
from collections import Counter
from collections.abc import Collection
from dataclasses import dataclass, field
from html.parser import HTMLParser
from importlib import resources

HTML = """
a article b body br code dd details div dl dt em figcaption figure footer h1 h2 h3 h4 h5 h6 head header hr html img
input li link main meta nav ol p pre script section span strong style summary table tbody td th thead time title tr ul
"""
"""Those that a page may need. Source: HTML Living Standard, index of elements."""
SVG = "circle defs desc g line path pattern rect svg text use"
"""Source: SVG 2, element index."""
ELEMENTS = frozenset(f"{HTML} {SVG}".split())
STYLE = (resources.files("laneproof.outputs.page") / "page.css").read_text()
PLAIN = {"age", "change", "there"}
"""Classes without a style of their own: the script's, the tests', and the usual strand beside the others."""
VOID = {"meta", "link", "br", "hr", "img", "input"}


@dataclass(slots=True)
class Node:
    """One element, with the texts and elements in it."""

    tag: str
    attributes: dict[str, str | None] = field(default_factory=dict)
    content: "list[Node | str]" = field(default_factory=list)

    def all(self, tag: str | None = None, class_: str | None = None, **attributes: str) -> "list[Node]":
        """Give all elements below, in order, that match."""
        found = []
        for part in self.content:
            if isinstance(part, Node):
                classes = (part.attributes.get("class") or "").split()
                if (
                    tag in (None, part.tag)
                    and (class_ is None or class_ in classes)
                    and all(part.attributes.get(key) == value for key, value in attributes.items())
                ):
                    found.append(part)
                found += part.all(tag, class_, **attributes)
        return found

    def one(self, tag: str | None = None, class_: str | None = None, **attributes: str) -> "Node":
        """Give the only one that matches."""
        found = self.all(tag, class_, **attributes)
        assert len(found) == 1, f"{len(found)} of {tag} {class_} {attributes}"
        return found[0]

    @property
    def text(self) -> str:
        """The words in it, as a person reads them: without the drawings' titles."""
        parts = [part if isinstance(part, str) else part.text for part in self.content if not _is_hidden(part)]
        return " ".join(" ".join(parts).split())


def _is_hidden(part: "Node | str") -> bool:
    return isinstance(part, Node) and part.tag in ("title", "script", "style") and part.attributes == {}


class _Builder(HTMLParser):
    def __init__(self, elements: Collection[str]) -> None:
        super().__init__()
        self._elements = elements
        self.root = Node("document")
        self._open = [self.root]

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        assert tag in self._elements, f"<{tag}> is no element"
        node = Node(tag, dict(attrs))
        self._open[-1].content.append(node)
        if tag not in VOID:
            self._open.append(node)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self._open[-1].content.append(Node(tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        node = self._open.pop()
        assert node.tag == tag, f"</{tag}> ends <{node.tag}>"

    def handle_data(self, data: str) -> None:
        self._open[-1].content.append(data)

    def finish(self) -> Node:
        assert self._open == [self.root], f"<{self._open[-1].tag}> is not ended"
        return self.root


def read_html(text: str, *, elements: Collection[str] = ELEMENTS) -> Node:
    """Read a document or a part of one; what is not sound ends the test."""
    builder = _Builder(elements)
    builder.feed(text)
    builder.close()
    root = builder.finish()
    if text.startswith("<!doctype"):
        _check_names(root)
    return root


def _check_names(root: Node) -> None:
    elements = root.all()
    names = Counter(element.attributes["id"] for element in elements if "id" in element.attributes)
    assert [name for name, count in names.items() if count > 1] == []
    inner = [link for element in elements if (link := element.attributes.get("href") or "").startswith("#")]
    labels = [name for element in elements for name in (element.attributes.get("aria-labelledby") or "").split()]
    assert {*(link[1:] for link in inner), *labels} - names.keys() == set()
    classes = {name for element in elements for name in (element.attributes.get("class") or "").split()}
    silent = [drawing.attributes for drawing in root.all("svg") if drawing.attributes.get("aria-hidden") != "true"]
    assert all(says.get("role") == "img" and (says.get("aria-label") or says.get("aria-labelledby")) for says in silent)
    style = "".join([STYLE, *(str(part) for element in root.all("style") for part in element.content)])
    assert classes - set(re.findall(r"\.([a-z]+)", style)) - PLAIN == set()
