"""A picture of any words is well-formed, can be heard, and is drawn for light and dark; a lane is a stroke."""

from xml.etree import ElementTree as ET

from hypothesis import given
from hypothesis import strategies as st

from laneproof.outputs.svg_picture import clip, draw_lanes, label, write_picture


@given(st.text(max_size=60))
def test_a_picture_of_any_words_is_well_formed_and_can_be_heard(words: str) -> None:
    picture = ET.fromstring(write_picture("x", 90, 60, "", [label(1, 2.5, words)], title="t", description=words))
    named = {element.attrib["id"]: element for element in picture if element.get("id")}
    assert (picture.get("role"), picture.get("aria-labelledby")) == ("img", " ".join(named))
    shown = "".join(part if part.isprintable() or part in "\n\t" else "\ufffd" for part in words) or None
    assert [named["x-desc"].text, picture[-1].text] == [shown, shown]


def test_strokes_stand_side_by_side_around_the_middle() -> None:
    assert [str(stroke) for stroke in draw_lanes(4, 9.5, 20, 2, "lane shared")] == [
        '<path class="lane shared" d="M4 18.7H9.5"/>',
        '<path class="lane shared" d="M4 21.3H9.5"/>',
    ]


def test_what_is_cut_shows_it() -> None:
    assert [clip("riser", 5), clip("riser-1", 5)] == ["riser", "rise…"]
