"""The guide as a page: the answer first, what must not be touched, then a screen a step, all of it there at once."""

from typing import Any

from boxes.array_box import BUILD, CHECKED, array_box, guide_for
from boxes.snapshot_box import Box
from laneproof.advice import OPEN_CASE
from laneproof.outputs.page.guide import GuideFacts, write_guide_page
from support.html_tree import Node, read_html

DEGRADED = ("in_sync", "in_sync", "in_sync", "faulty")


def page(name: str, box: Box, **more: Any) -> Node:
    guide = guide_for(name, box, past=CHECKED)
    facts = GuideFacts(build=BUILD, snapshot=box.snapshot(), findings=(), guide=guide, **more)
    return read_html(write_guide_page(facts))


def test_the_answer_and_the_serial_number_stand_first() -> None:
    shown = page("riser-4", array_box())
    assert shown.one("h1").text == "Safe now"
    assert shown.one("h1").one("svg").attributes["class"] == "mark holds"
    assert shown.one("head").one("title").content == ["Replacing the drive in riser-4: safe now"]
    assert shown.one(class_="counts").text == "Replacing the drive in riser-4"
    assert "nvme3, Fulmar N4, 4 TB, serial number FN0004 ." in shown.one("main").text


def test_every_step_is_a_screen_that_leads_to_the_next() -> None:
    box = array_box()
    shown, steps = page("riser-4", box), guide_for("riser-4", box, past=CHECKED).steps
    screens = shown.all("section", "step")
    assert [screen.one("h3").text for screen in screens] == [step.title for step in steps]
    for number, screen in enumerate(screens, start=1):
        assert screen.attributes["id"] == f"step-{number}"
        ahead = [f"#step-{number + 1}"] if number < len(screens) else []
        back = f"#step-{number - 1}" if number > 1 else "#main"
        assert [link.attributes["href"] for link in screen.one("nav").all("a")] == [back, *ahead]


def test_commands_are_whole_and_each_caution_is_said_once() -> None:
    shown = page("riser-4", array_box())
    assert "mdadm /dev/md0 --fail /dev/nvme3n1p2 --remove /dev/nvme3n1p2" in "\n".join(
        code.text for code in shown.all("code")
    )
    assert shown.one("main").text.count(OPEN_CASE) == 1


def test_steps_that_are_not_safe_are_shown_only_to_who_asks() -> None:
    box = array_box(*DEGRADED)
    shown = page("riser-2", box)
    assert shown.one("h1").text == "Not safe now"
    assert shown.one("h1").one("svg").attributes["class"] == "mark differs"
    assert shown.all("section", "step") == []
    assert shown.one("a", href="?steps=shown").text == "Show them all the same"
    assert page("riser-2", box, with_steps=True).all("section", "step")


def test_what_must_not_be_touched_is_marked_even_where_it_was_asked_for() -> None:
    shown = page("riser-2", array_box(*DEGRADED))
    assert len(shown.all(class_="keep")) == 3
    assert shown.all(class_="here") == []
    (here,) = page("riser-4", array_box(*DEGRADED)).all(class_="here")
    assert here.one(class_="name").text.startswith("riser-4")


def test_it_says_that_it_must_stay_open_while_the_box_is_off() -> None:
    assert "leave it open: it stays as it is" in page("riser-4", array_box()).one(class_="message").text


def test_what_showed_over_time_is_missed_aloud() -> None:
    assert "What showed over time is not known here: no history." in page("riser-4", array_box(), gap="no history").text


def test_an_empty_position_is_fitted() -> None:
    shown = page("deck-3", array_box())
    assert shown.one(class_="counts").text == "Fitting a drive in deck-3"
