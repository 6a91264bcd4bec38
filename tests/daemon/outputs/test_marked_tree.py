"""The small tree marks what is looked for, in words, within its width, and leaves out what is far from it."""

from boxes.snapshot_box import Box, declare, kelp_box
from laneproof.box.shown_positions import ShownPosition, list_positions
from laneproof.outputs.marked_tree import draw_tree
from laneproof.outputs.text_style import NARROWEST, Style

PLAIN = Style(width=80)
BUILD = declare(
    '[[position]]\nlabel = "riser-1"\npath = "0000:00/01.1"\n[[position]]\nlabel = "far"\npath = "0000:00/1c.0/00.0"'
)


def positions(box: Box) -> tuple[ShownPosition, ...]:
    return list_positions(BUILD, box.snapshot())


def test_marked_position_is_said_in_words() -> None:
    assert list(draw_tree(positions(kelp_box(2)), {"0000:00/01.2": "here"}, PLAIN)) == [
        "  0000:00",
        "  ├─ 01.1 riser-1   nvme0 FN0001",
        "  ├─ 01.2           nvme1 FN0002  ◀ here",
        "  └─ 1c.0/00.0 far  empty",
    ]


def test_ascii_is_enough() -> None:
    lines = list(draw_tree(positions(kelp_box(1)), {"0000:00/01.1": "here"}, Style(width=80, unicode=False)))
    assert lines[1] == "  |- 01.1 riser-1   nvme0 FN0001  <- here"


def test_ports_between_are_drawn() -> None:
    box = Box().with_port("0000:00/02.1").with_switch("0000:00/02.1").with_port("0000:00/02.1/00.0/04.0")
    lines = list(draw_tree(positions(box.with_drive("0000:00/02.1/00.0/04.0")), {}, PLAIN))
    assert "  ├─ 02.1" in lines
    assert any("└─ 04.0" in line and "nvme0" in line for line in lines)


def test_large_box_shows_the_neighbourhood_and_says_what_it_leaves_out() -> None:
    box = kelp_box(7)
    box.with_port("0000:00/09.0").with_switch("0000:00/09.0")
    for number in range(32):
        path = f"0000:00/09.0/00.0/{number:02x}.0"
        box.with_port(path).with_drive(path)
    shown, marks = positions(box), {"0000:00/01.3": "here"}
    lines = list(draw_tree(shown, marks, PLAIN))
    assert any("here" in line for line in lines)
    assert not any("/00.0/" in line or "─ 1d.0" in line for line in lines)
    assert lines[-1].endswith("more positions are not drawn)")
    assert "─ 1d.0" in "".join(draw_tree(shown[:40], marks, PLAIN))
    assert "─ 1d.0" not in "".join(draw_tree(shown[:41], marks, PLAIN))


def test_serial_numbers_that_differ_at_their_end_stay_whole_in_a_narrow_text() -> None:
    box = Box()
    for number in (1, 2):
        path = f"0000:00/0{number}.1"
        # NVM Express Base Specification 2.0, 5.17.2.1: a serial number has up to 20 characters.
        box.with_port(path).with_drive(path, controller={"serial": f"ARCHIVE-2026-LOT-A{number:02d}"})
    text = "\n".join(draw_tree(positions(box), {"0000:00/01.1": "the one to replace"}, Style(width=NARROWEST)))
    assert "nvme0 ARCHIVE-2026-LOT-A01\n" in text
    assert "nvme1 ARCHIVE-2026-LOT-A02" in text
    assert "◀ the one to replace\n" in text
