from xml.etree import ElementTree as ET

import pytest
from hypothesis import given
from hypothesis import strategies as st

from boxes.snapshot_box import declare
from laneproof.declaration.build import Build
from laneproof.desk.check import check_budget
from laneproof.outputs.budget_picture import draw_budget
from support.drawn_words import SVG, check_words, list_words, of_class


def _position(label: str, path: str, rest: str) -> str:
    return f'[[position]]\nlabel = "{label}"\npath = "{path}"\n{rest}\n'


def _draw(text: str) -> ET.Element:
    return _without_legend(ET.fromstring(draw_budget(check_budget(declare(text)))))


def _strokes(picture: ET.Element, kind: str = "lane") -> int:
    return len(of_class(picture, "path", kind))


NVME = 'occupant = { kind = "nvme", capacity = "4 TB" }'
X4 = f"link = {{ generation = 4, lanes = 4 }}\n{NVME}"
RISER = '[slot.riser]\npath = "0000:00"\nlanes = 4\nsplit = [4, 4]\n'


def _without_legend(picture: ET.Element) -> ET.Element:
    for group in picture.findall(f"{SVG}g[@class='legend']"):
        picture.remove(group)
    return picture


def test_legend_names_every_colour() -> None:
    words = {"a lane", "a lane that several share", "the narrowest part", "! does not fit"}
    assert words <= set(list_words(ET.fromstring(draw_budget(check_budget(declare(""))))))


def test_branch_that_cannot_exist_has_no_lanes_and_says_so() -> None:
    picture = _draw(RISER + _position("a", "0000:00/01.2", f'slot = "riser"\nbranch = 2\n{X4}'))
    assert _strokes(picture) == 0
    assert "! no lanes" in list_words(picture)
    assert "tile empty bad" in {element.get("class") for element in picture.iter(f"{SVG}rect")}


def test_each_lane_is_one_stroke() -> None:
    text = _position("a", "0000:00/01.1", X4)
    text += _position("b", "0000:00/01.2", f"link = {{ generation = 3, lanes = 1 }}\n{NVME}")
    picture = _draw(text)
    assert _strokes(picture) == 5
    tile = next(element for element in picture.iter(f"{SVG}rect") if element.get("class") == "tile")
    strokes = [float(str(element.get("d")).split()[1].partition("H")[0]) for element in picture.iter(f"{SVG}path")][:4]
    middle = float(tile.get("y", 0)) + float(tile.get("height", 0)) / 2
    assert sum(strokes) / 4 == pytest.approx(middle, abs=0.1)


def test_shared_link_is_drawn_once_in_its_own_kind() -> None:
    text = '[uplink.chipset]\npath = "0000:00/02.1"\ngeneration = 4\nlanes = 4\n'
    text += _position("a", "0000:00/02.1/00.0/01.0", f"link = {{ generation = 4, lanes = 2 }}\n{NVME}")
    text += _position("b", "0000:00/02.1/00.0/02.0", f"link = {{ generation = 4, lanes = 2 }}\n{NVME}")
    picture = _draw(text)
    assert (_strokes(picture, "lane shared"), _strokes(picture)) == (4, 4)


def test_bond_has_a_stroke_a_member() -> None:
    text = '[[bond]]\nname = "bond0"\nmembers = ["a", "b"]\nmember_speed_mbit_s = 10000\n'
    picture = _draw(text)
    assert _strokes(picture) == 2
    assert "bond0" in list_words(picture)
    assert "20 Gbit/s in all" in list_words(picture)


def test_every_position_is_named_with_what_it_gets() -> None:
    text = _position("upper left", "0000:00/01.1", X4)
    picture = _draw(text)
    assert {"upper left", "nvme 4 TB", "gen 4 x4", "narrowest 7.2 GB/s"} <= set(list_words(picture))
    check_words(picture)
    (tile,) = (element for element in picture.iter(f"{SVG}rect") if element.get("class") == "tile")
    middle = float(tile.get("x", 0)) + float(tile.get("width", 0)) / 2
    side = {element.text: float(element.get("x", 0)) - middle for element in picture.iter(f"{SVG}text")}
    assert side["upper left"] == side["nvme 4 TB"] == -side["narrowest 7.2 GB/s"]
    assert side["gen 4 x4"] < side["upper left"]  # left of the tile, on the lanes


def test_position_meant_to_be_empty_is_drawn_without_lanes() -> None:
    picture = _draw(_position("a", "0000:00/01.1", 'occupant = { kind = "none" }'))
    assert _strokes(picture) == 0
    assert "meant to be empty" in list_words(picture)
    assert [element.get("class") for element in picture.iter(f"{SVG}rect")][-1] == "tile empty"


def test_what_does_not_fit_has_a_mark_and_a_sentence() -> None:
    words = list_words(_draw(RISER + _position("a", "0000:00/01.1", f'slot = "riser"\nbranch = 1\n{X4}')))
    assert "! riser x4: 4+4" in words
    assert "! slot riser has 4 lanes, but its split 4+4 needs 8" in words


def test_a_slots_frame_is_round_its_own_positions_alone() -> None:
    text = '[slot.riser]\npath = "0000:00"\nlanes = 8\nsplit = [4, 4]\n'
    for label, rest in (("a", 'slot = "riser"\nbranch = 1'), ("b", ""), ("c", 'slot = "riser"\nbranch = 2')):
        text += _position(label, f"0000:00/0{label}.0", f"{rest}\n{X4}")
    boxes = list(_draw(text).iter(f"{SVG}rect"))
    height = {str(element.get("class")): float(element.get("height", 0)) for element in boxes}
    assert 2 * height["tile"] < height["frame"] < 3 * height["tile"]


def test_parts_between_are_shown_on_the_lanes() -> None:
    rest = f'through = ["key-adapter", "flexible-cable"]\nlink = {{ generation = 3, lanes = 1 }}\n{NVME}'
    assert {"key adapter", "flexible cable"} <= set(list_words(_draw(_position("a", "0000:00/01.1", rest))))


def test_words_stand_in_the_middle_of_the_box_that_they_name() -> None:
    rest = f'through = ["key-adapter", "flexible-cable"]\nlink = {{ generation = 3, lanes = 1 }}\n{NVME}'
    picture = _draw(_position("a", "0000:00/01.1", rest) + _position("b", "0000:00/01.2", ""))
    boxes = [
        [float(element.get(name, 0)) for name in ("x", "y", "width", "height")]
        for element in picture.iter(f"{SVG}rect")
        if element.get("class") in ("board", "part")
    ]
    named = [element for element in picture.iter(f"{SVG}text") if element.get("text-anchor") == "middle"]
    assert [element.text for element in named] == ["board", "key adapter", "flexible cable"]
    for (x, y, width, height), element in zip(boxes, named, strict=True):
        assert float(element.get("x", 0)) == pytest.approx(x + width / 2)
        assert y + height / 2 <= float(element.get("y", 0)) <= y + height / 2 + 6  # a line of text stands on its y
    assert boxes[1][0] + boxes[1][2] < boxes[2][0]
    tiles = [element for element in picture.iter(f"{SVG}rect") if (element.get("class") or "").startswith("tile")]
    assert boxes[0][1] <= float(tiles[0].get("y", 0))
    assert boxes[0][1] + boxes[0][3] >= float(tiles[-1].get("y", 0)) + float(tiles[-1].get("height", 0))


def test_strokes_of_the_legend_stand_before_their_words() -> None:
    picture = ET.fromstring(draw_budget(check_budget(declare(""))))
    legend = picture.findall(f"{SVG}g[@class='legend']/*")
    words = [element for element in legend if element.tag == f"{SVG}text"]
    strokes = [element for element in legend if element.tag == f"{SVG}path"]
    for stroke, said in zip(strokes, words, strict=False):
        start, y, end = map(float, str(stroke.get("d")).removeprefix("M").replace("H", " ").split())
        assert start < end < float(said.get("x", 0)) < start + 130  # the next stroke is so far to the right
        assert 0 < float(said.get("y", 0)) - y < 8  # halfway up the letters
    assert len(strokes) == 2


def test_picture_can_be_heard() -> None:
    picture = _draw(_position("a", "0000:00/01.1", X4))
    ids = {element.attrib["id"]: element.text or "" for element in picture.iter() if element.get("id")}
    assert "a gets 7.2 GB/s over generation 4 x4." in ids["lp-desc"]


def test_picture_has_a_style_for_light_and_for_dark() -> None:
    picture = draw_budget(check_budget(declare("")))
    assert "prefers-color-scheme:dark" in picture
    assert "http://" not in picture.replace("http://www.w3.org/2000/svg", "")


def test_nothing_is_drawn_outside_the_frame() -> None:
    text = "".join(
        _position(f"p{at}", f"0000:00/{at:02x}.0", f"link = {{ generation = 4, lanes = 16 }}\n{NVME}")
        for at in range(1, 25)
    )
    picture = _draw(text)
    width, height = map(float, (picture.get("viewBox") or "").split()[2:])
    for element in picture.iter():
        assert 0 <= float(element.get("x", 0)) <= width
        assert 0 <= float(element.get("y", 0)) <= height


_ODD = st.text(min_size=1, max_size=60)


@given(label=_ODD, model=_ODD, slot=_ODD)
def test_no_name_breaks_the_picture(label: str, model: str, slot: str) -> None:
    data = {
        "schema": 1,
        "box": {"name": label},
        "slot": {slot: {"path": "0000:00", "lanes": 4, "split": [4, 4]}},
        "position": [
            {
                "label": label,
                "path": "0000:00/01.1",
                "slot": slot,
                "link": {"generation": 4, "lanes": 8},
                "occupant": {"kind": "nvme", "model": model},
            }
        ],
    }
    picture = ET.fromstring(draw_budget(check_budget(Build.model_validate(data))))
    assert picture.tag == f"{SVG}svg"
