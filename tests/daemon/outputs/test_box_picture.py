"""The picture of the box: a stroke a lane, every position named, marks without colour, words for those who hear."""

import itertools
from collections.abc import Mapping
from xml.etree import ElementTree as ET

from hypothesis import given
from hypothesis import strategies as st

from boxes.snapshot_box import Box, declare, kelp_box
from laneproof.outputs.box_picture import Mark, draw_box
from support.drawn_words import SVG, check_words, list_words, of_class

A, B = "0000:00/01.1", "0000:00/01.2"
BUILD = declare(f'[[position]]\nlabel = "riser-1"\npath = "{A}"\n[[position]]\nlabel = "deck-9"\npath = "0000:00/09.0"')


def draw(box: Box, marks: Mapping[str, Mark] | None = None) -> ET.Element:
    return ET.fromstring(draw_box(BUILD, box.snapshot(), marks or {}))


def test_each_trained_lane_is_one_stroke() -> None:
    box = Box().with_port(A).with_drive(A).with_port(B, trained=(3, 1)).with_drive(B)
    assert len(of_class(draw(box), "path", "lane")) == 5 + 1  # and one in the legend


def test_position_without_a_link_hangs_on_a_dotted_line() -> None:
    assert len(of_class(draw(kelp_box(1)), "path", "none")) == 1 + 1  # deck-9, which is empty, and the legend
    assert len(of_class(draw(kelp_box(1)), "rect", "tile empty")) == 1 + 1  # likewise


def test_every_position_is_named_with_who_is_in_it() -> None:
    reported = list_words(draw(kelp_box(2)))
    assert {"riser-1", "01.2", "deck-9", "nvme0, Fulmar N4, 4 TB", "serial FN0001", "empty"} <= set(reported)


def test_marks_have_words_and_shapes_of_their_own() -> None:
    picture = draw(kelp_box(2), {A: Mark.HERE, B: Mark.KEEP})
    assert {"here", "do not touch"} <= set(list_words(picture))
    assert len(of_class(picture, "path", "point")) == 1
    (kept,) = of_class(picture, "rect", "keep")
    assert kept.get("style") == "fill:url(#bp-hatch)"
    (here,), tiles = of_class(picture, "rect", "here"), of_class(picture, "rect", "tile")
    frames = [(tile.get("x"), tile.get("y"), tile.get("width")) for tile in tiles]
    assert [(mark.get("x"), mark.get("y"), mark.get("width")) for mark in (here, kept)] == frames[:2]


def test_every_stroke_and_tile_is_in_the_legend() -> None:
    legend = [element for element in draw(kelp_box(1)).iter(f"{SVG}g") if element.get("class") == "legend"]
    samples = {part.get("class") for element in legend for part in element if part.tag != f"{SVG}text"}
    assert samples == {"lane", "none", "tile empty"}
    assert "a stroke is a lane that trained" in list_words(draw(kelp_box(1)))


def test_title_and_description_say_it_all_without_eyes() -> None:
    picture = draw(kelp_box(2), {A: Mark.HERE, B: Mark.KEEP})
    reported = {element.get("id"): element.text or "" for element in picture if element.get("id")}
    assert reported["bp-title"] == "kelp-1: riser-1"
    assert f"riser-1 at {A}: nvme0, Fulmar N4, 4 TB, marked: here." in reported["bp-desc"]
    assert f"undeclared at {B}: nvme1, Fulmar N4, 4 TB, marked: do not touch." in reported["bp-desc"]


def test_colours_of_dark_and_light_are_both_given() -> None:
    style = next(element.text or "" for element in draw(kelp_box(1)).iter(f"{SVG}style"))
    assert "prefers-color-scheme:dark" in style


def test_positions_behind_a_switch_card_hang_on_its_trunk() -> None:
    box = Box().with_port("0000:00/02.1").with_switch("0000:00/02.1").with_port("0000:00/02.1/00.0/04.0")
    picture = draw(box.with_drive("0000:00/02.1/00.0/04.0"))
    assert len(of_class(picture, "path", "spine")) == 1
    starts = {str(trunk.get("d")).partition(" ")[2].partition("V")[0] for trunk in of_class(picture, "path", "trunk")}
    assert len(starts) == 2
    assert starts <= {f"{float(tile.get('y', 0)) + 40:g}" for tile in of_class(picture, "rect", "tile")}
    assert "a port with more below" in list_words(picture)


def test_rows_do_not_overlap_and_lie_within_the_picture() -> None:
    picture = draw(kelp_box(12), {A: Mark.HERE, B: Mark.KEEP})
    check_words(picture)
    height = float(picture.get("viewBox", "").split()[3])
    tops = sorted(float(element.get("y", "0")) for element in of_class(picture, "rect", "tile"))
    assert all(after - before >= 40 for before, after in itertools.pairwise(tops))
    assert tops[-1] + 40 < height


def test_empty_box_is_a_picture_too() -> None:
    assert "No drive, and no declared position." in draw_box(None, Box().snapshot(), {})


@given(st.text(max_size=60))
def test_whatever_a_drive_calls_itself_the_picture_stays_well_formed(model: str) -> None:
    assert draw(Box().with_port(A).with_drive(A, model=model)).tag == f"{SVG}svg"
