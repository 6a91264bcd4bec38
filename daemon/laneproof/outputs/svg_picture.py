"""What the pictures of a box are made of: words, rectangles, lanes as strokes, and the SVG document around them."""

from collections.abc import Iterable, Iterator

from laneproof.outputs.markup import Markup, tag

_LANE_SPACE = 2.6  # between the strokes of one link


def clip(text: str, most: int) -> str:
    """Shorten a text to so many characters, and show that it was."""
    return text if len(text) <= most else f"{text[: most - 1]}…"


def label(x: float, y: float, text: str, kind: str | None = None, *, anchor: str | None = None) -> Markup:
    """Write words at a point: their beginning, or what `anchor` says."""
    return tag("text", text, class_=kind, x=x, y=y, text_anchor=anchor)


def rectangle(x: float, y: float, width: float, height: float, kind: str, *, style: str | None = None) -> Markup:  # noqa: PLR0913 (a rectangle)
    """Draw a rectangle with round corners."""
    return tag("rect", class_=kind, x=x, y=y, width=width, height=height, rx=6, style=style)


def draw_lanes(start: float, end: float, middle: float, count: int, kind: str = "lane") -> Iterator[Markup]:
    """Draw one stroke a lane, side by side."""
    first = middle - (count - 1) * _LANE_SPACE / 2
    for lane in range(count):
        yield tag("path", class_=kind, d=f"M{start:g} {first + lane * _LANE_SPACE:.1f}H{end:g}")


def write_picture(  # noqa: PLR0913 (the parts of a picture)
    name: str, width: int, height: int, style: str, parts: Iterable[str], *, title: str, description: str
) -> str:
    """Write a whole SVG document; `name` is its class, and begins the names of its title and description."""
    return (
        tag(
            "svg",
            tag("title", title, id=f"{name}-title"),
            tag("desc", description, id=f"{name}-desc"),
            tag("style", Markup(style)),
            tag("rect", class_="paper", width=width, height=height, rx=10),
            Markup("\n".join(("", *parts, ""))),
            xmlns="http://www.w3.org/2000/svg",
            class_=name,
            viewBox=f"0 0 {width} {height}",
            role="img",
            aria_labelledby=f"{name}-title {name}-desc",
        )
        + "\n"
    )
