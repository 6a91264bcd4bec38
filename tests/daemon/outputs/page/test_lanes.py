"""A link's drawing can be counted: strands are lanes, knots are generations, and what is missing is drawn so."""

import re
from xml.etree import ElementTree as ET

import pytest

from laneproof.box.shown_positions import RateAndLanes
from laneproof.outputs.page.lanes import describe_link, draw_lanes, spell

X4 = RateAndLanes(generation=4, lanes=4, gt_s=16.0)


def count(trained: RateAndLanes | None, declared: RateAndLanes | None) -> dict[str, int]:
    """Count what is drawn, by class: each strand and each knot begins anew."""
    drawing = ET.fromstring(draw_lanes(trained, declared))
    return {element.attrib["class"]: element.attrib["d"].count("M") for element in drawing}


@pytest.mark.parametrize(
    ("trained", "declared", "drawn"),
    [
        (X4, X4, {"strand there": 4, "knot there": 4}),
        (X4, None, {"strand there": 4, "knot there": 4}),
        (RateAndLanes(generation=4, lanes=2), X4, {"strand there": 2, "strand missing": 2, "knot there": 4}),
        (RateAndLanes(generation=3, lanes=4), X4, {"strand there": 4, "knot there": 3, "knot missing": 1}),
        (None, X4, {"strand missing": 4, "knot missing": 4}),
        (RateAndLanes(generation=5, lanes=8), X4,
         {"strand there": 4, "strand beyond": 4, "knot there": 4, "knot beyond": 1}),
        (RateAndLanes(generation=3, lanes=1), RateAndLanes(generation=3, lanes=1),
         {"strand there": 1, "knot there": 3}),
        (RateAndLanes(generation=4, lanes=16), None, {"strand there": 16, "knot there": 4}),
        (RateAndLanes(generation=None, lanes=None), None, {"strand unknown": 1}),
        (RateAndLanes(generation=None, lanes=None), X4, {"strand unknown": 4, "knot unknown": 4}),
        (RateAndLanes(generation=4, lanes=None), X4, {"strand unknown": 4, "knot there": 4}),
    ],
)  # fmt: skip
def test_strands_and_knots_are_as_many_as_lanes_and_generations(
    trained: RateAndLanes | None, declared: RateAndLanes | None, drawn: dict[str, int]
) -> None:
    assert count(trained, declared) == drawn


@pytest.mark.parametrize("lanes", [1, 2, 4, 8, 12, 16, 32])
def test_every_strand_and_knot_lies_inside_the_drawing(lanes: int) -> None:
    drawing = ET.fromstring(draw_lanes(RateAndLanes(generation=6, lanes=lanes), None))
    _, _, width, height = map(float, drawing.attrib["viewBox"].split())
    strands, knots = (element.attrib["d"] for element in drawing)
    heights = [float(y) for y in re.findall(r"M6 (\S+?)H126", strands)]
    assert len(heights) == lanes
    assert heights == sorted(set(heights))
    assert min(heights) > 0
    assert max(heights) < height
    pieces = re.findall(r"M(\S+) (\S+)a3 3 0 0 1 6 0v(\S+?)a3 3 0 0 1 -6 0z", knots)
    assert len(pieces) == 6
    for x, y, length in (map(float, piece) for piece in pieces):
        assert 0 <= x <= width - 6
        assert y >= 3
        assert y + length + 3 <= height


@pytest.mark.parametrize(
    ("trained", "declared", "words"),
    [
        (X4, X4, "trained at generation 4 x4, declared generation 4 x4"),
        (X4, None, "trained at generation 4 x4"),
        (None, X4, "no link, declared generation 4 x4"),
        (None, None, "no link"),
        (RateAndLanes(generation=None, lanes=2, gt_s=12.5), None, "trained at 12.5 GT/s x2"),
        (RateAndLanes(generation=3, lanes=None), None, "trained at generation 3 unknown width"),
    ],
)
def test_the_drawing_carries_its_words(trained: RateAndLanes | None, declared: RateAndLanes | None, words: str) -> None:
    assert describe_link(trained, declared) == words
    drawing = ET.fromstring(draw_lanes(trained, declared))
    assert (drawing.get("role"), drawing.get("aria-label")) == ("img", words)


def test_a_width_of_which_nothing_is_known_says_so() -> None:
    assert spell(RateAndLanes(generation=None, lanes=None)) == "unknown width"
