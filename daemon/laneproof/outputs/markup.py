"""HTML and SVG as values: what goes in as text comes out as text, whatever a drive calls itself.

``tag("p", "1 < 2", class_="note")`` gives ``<p class="note">1 &lt; 2</p>``. Only `Markup` is passed through as it is,
and only this module makes it.
"""

from collections.abc import Iterable
from html import escape

Attribute = str | int | float | bool | None
_VOID = frozenset({"meta", "link", "br", "hr", "img", "input"})  # HTML Living Standard, void elements
_BARE = frozenset({"line", "rect", "circle", "path", "use"})  # SVG elements that hold nothing here


class Markup(str):
    """Text that is markup already."""

    __slots__ = ()


def tag(name: str, /, *content: str | Markup | None, **attributes: Attribute) -> Markup:
    """Make one element.

    Args:
        name: The element's name.
        content: What it holds, in order; plain text is escaped, None is left out.
        attributes: By name; an underscore stands for a hyphen, one at the end is dropped (``class_``). True is an
            attribute without a value, False and None leave it out.
    """
    written = "".join(_attribute(key, value) for key, value in attributes.items() if value is not None)
    if name in _VOID:
        return Markup(f"<{name}{written}>")
    if name in _BARE and not content:
        return Markup(f"<{name}{written}/>")
    return Markup(f"<{name}{written}>{join(content)}</{name}>")


def join(parts: Iterable[str | Markup | None]) -> Markup:
    """Put parts one after another; plain text is escaped, None is left out."""
    return Markup("".join(part if isinstance(part, Markup) else _plain(part) for part in parts if part is not None))


def write_section(heading: str, *content: Markup | None, name: str | None = None, class_: str | None = None) -> Markup:
    """Make a section with a heading; links find it by `name`, the heading's first word without one."""
    name = name or heading.split(maxsplit=1)[0].lower()
    return tag("section", tag("h2", heading, id=name), *content, aria_labelledby=name, class_=class_)


def document(root: Markup) -> str:
    """Make a whole HTML document of its root element."""
    return f"<!doctype html>\n{root}\n"


def _attribute(key: str, value: Attribute) -> str:
    name = key.rstrip("_").replace("_", "-")
    if value is False:
        return ""
    if value is True:
        return f" {name}"
    text = f"{value:g}" if isinstance(value, float) else str(value)
    return f' {name}="{_plain(text)}"'


def _plain(text: str) -> str:
    """Escape a text; characters that HTML does not allow become the replacement character."""
    if text.isprintable():
        return escape(text)
    return escape(
        "".join(character if character.isprintable() or character in "\n\t" else "\ufffd" for character in text)
    )
