"""Words of a picture that can be read: none outside the paper, none over others, none across the edge of a tile."""

from itertools import combinations
from xml.etree import ElementTree as ET

SVG = "{http://www.w3.org/2000/svg}"


def list_words(picture: ET.Element) -> list[str]:
    """List what is written in a picture."""
    return [element.text or "" for element in picture.iter(f"{SVG}text")]


def of_class(picture: ET.Element, tag: str, kind: str) -> list[ET.Element]:
    """List the elements of one class."""
    return [element for element in picture.iter(f"{SVG}{tag}") if element.get("class") == kind]


def _span(element: ET.Element) -> tuple[float, float, float, float]:
    """Give where words stand: left, right, top, bottom; a letter is taken for narrower than most are."""
    x, y, width = float(element.get("x", 0)), float(element.get("y", 0)), 5.5 * len(element.text or "")
    left = x - {"end": width, "middle": width / 2}.get(element.get("text-anchor", ""), 0)
    return left, left + width, y - 10, y + 2


def check_words(picture: ET.Element) -> None:
    """Fail where words of a picture cannot be read; the legend, which is moved as a whole, is left out."""
    _, _, wide, high = map(float, (picture.get("viewBox") or "").split())
    legend = {words for group in picture.iter(f"{SVG}g") if group.get("class") == "legend" for words in group.iter()}
    spans = [(words.text, _span(words)) for words in picture.iter(f"{SVG}text") if words not in legend]
    tiles = [element for element in picture.iter(f"{SVG}rect") if element.get("class") == "tile"]
    for words, (left, right, top, bottom) in spans:
        assert left >= 0 <= top, words
        assert right <= wide, words
        assert bottom <= high, words
        for tile in tiles:
            x, y, width, height = (float(tile.get(name, 0)) for name in ("x", "y", "width", "height"))
            apart = right <= x or x + width <= left or bottom <= y or y + height <= top
            assert apart or (x <= left and right <= x + width and y <= top and bottom <= y + height), words
    for (words, (left, right, top, bottom)), (others, other) in combinations(spans, 2):
        assert right <= other[0] or other[1] <= left or bottom <= other[2] or other[3] <= top, (words, others)
