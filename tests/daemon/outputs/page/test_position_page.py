"""The page of one position: what is in it, what was found there and nowhere else, and what is not known."""

import re
from typing import Any

from boxes.kept_position import make_facts
from boxes.snapshot_box import Box
from boxes.troubled_box import Judged, judge, troubled
from laneproof.advice import OPEN_CASE
from laneproof.outputs.page.position_page import write_position
from support.html_tree import Node, read_html


def page(label: str = "riser-2", judged: Judged | None = None, **more: Any) -> Node:
    return read_html(write_position(make_facts(label, judged, **more)))


def facts(root: Node) -> dict[str, str]:
    rows = root.one("section", **{"aria-labelledby": "facts"}).one("dl").all("div")
    return {row.one("dt").text: row.one("dd").text for row in rows}


def test_it_says_what_is_here_and_what_is_wrong_with_it() -> None:
    shown = page()
    assert shown.one("h1").text == "riser-2 is not as it should be"
    assert shown.one("head").one("title").content == ["riser-2 is not as it should be"]
    assert shown.one(class_="counts").text.startswith("nvme1, Gannet N4 Coastal Edition")
    known = facts(shown)
    assert (known["Serial number"], known["Firmware"], known["Between"]) == ("FN-2", "2.1", "flexible-cable")
    assert known["Link"] == "x2 at 16 GT/s (generation 4)"
    # 800,000 data units of 1000 times 512 bytes (NVM Express Base Specification 2.0, 5.16.1.3).
    assert known["Written"] == "410 GB"
    assert known["Power-on time"]


def test_only_this_positions_findings_are_shown() -> None:
    wanted = {finding.rule for finding in troubled().findings if finding.position == "riser-2"}
    assert {rule.text for rule in page().all("span", "rule")} == wanted


def test_health_that_could_not_be_read_is_unverified() -> None:
    known = facts(page("riser-1"))
    assert (known["Written"], known["Power-on time"]) == ("unverified", "unverified")


def test_an_empty_position_has_a_page_and_a_guide_to_fit_a_drive() -> None:
    shown = page("riser-3")
    assert shown.one(class_="counts").text == "empty"
    assert "The guide to fitting a drive" in shown.text
    assert "Serial number" not in facts(shown)


def test_an_undeclared_position_is_named_by_its_path() -> None:
    judged = judge(None, Box().with_port("0000:00/01.1").with_drive("0000:00/01.1").snapshot())
    shown = page("0000:00/01.1", judged)
    assert shown.one("h1").text == "0000:00/01.1 could not be verified"
    links = {str(link.attributes["href"]) for link in shown.all("a")}
    assert {"../replace/0000%3A00%2F01.1", "../positions/0000%3A00%2F01.1"} <= links


def test_a_past_that_is_not_known_says_why() -> None:
    shown = page(past="the history cannot be read")
    section = shown.one("section", **{"aria-labelledby": "history"})
    assert section.one("h2").text == "History"
    assert section.one("p").text == "It is not known here: the history cannot be read."
    assert shown.all("figure") == []


def test_its_place_among_the_others_is_marked() -> None:
    (here,) = page().all(class_="here")
    assert here.one("strong").text == "here"
    assert here.one(class_="name").text.startswith("riser-2")


def test_every_link_is_relative_and_leads_out_of_the_folder_or_stays() -> None:
    text = write_position(make_facts())
    links = set(re.findall(r'(?:href|src)="([^"]*)"', text))
    assert {"../", "../style.css", "../page.js", "../icon.svg", "../replace/riser-2", "../positions/deck-1"} <= links
    assert all(link == "" or link.startswith(("../", "?", "#")) for link in links)
    assert page().one("main").attributes["class"] == "single"


def test_the_caution_of_the_open_case_is_there_once() -> None:
    for label in ("riser-2", "deck-1"):
        assert page(label).text.count(OPEN_CASE) == 1
