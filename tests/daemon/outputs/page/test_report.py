"""The report: one file that needs nothing else, with every serial number hidden where that is asked."""

import re

import pytest

from boxes.kept_position import GRID, make_series
from boxes.troubled_box import troubled
from laneproof.outputs.events_text import Happening
from laneproof.outputs.page.report import ReportFacts, hide_serials, write_report
from laneproof.outputs.trend import Subject, Trend, make_trend
from support.html_tree import Node, read_html

LINE = "nvme nvme1: controller is down; will reset: CSTS=0xffffffff"


def report(**trends: Trend) -> str:
    judged = troubled()
    happened = [Happening(t=1_790_000_000.0, kind="controller_down", text=LINE, position="riser-2", count=3)]
    return write_report(
        ReportFacts(
            build=judged.build, snapshot=judged.snapshot, findings=judged.findings, trends=trends,
            happened=happened,
            since=1_789_000_000.0, watched="Watched all the time.",
        )
    )  # fmt: skip


def test_it_needs_nothing_else_and_hides_nothing_on_paper() -> None:
    text = report()
    assert re.findall(r'(?:src|href)="(?!#)[^"]*"|<script|@import|url\((?!#)[^)]*\)', text) == []
    assert text.count("<details") == text.count("<details open") > 0
    assert "<svg" in text


def test_figures_stand_as_they_were_at_first_since_and_now() -> None:
    lanes = make_series("trained_lanes", 4, 2, end="port", is_counter=False)
    errors = make_series("correctable_errors", 5, 7, 9, end="port")
    trend = make_trend(Subject(name="riser-2", path="x"), [lanes, errors], (), GRID)
    table = read_html(report(deck=trend)).one("section", **{"aria-labelledby": "now"}).one("tbody")
    rows = [[part.text for part in row.content if isinstance(part, Node)] for row in table.all("tr")]
    assert rows == [["deck", "link errors (port)", "", "4", "9"], ["deck", "lanes (port)", "x4", "", "x2"]]


def test_it_holds_the_kernels_line_how_often_and_when_somebody_watched() -> None:
    text = report()
    assert LINE in text
    assert "controller down, 3 times" in text
    assert "Watched all the time." in text


def test_serial_numbers_become_numbers_the_same_everywhere_and_words_stay() -> None:
    assert hide_serials("FN-1 and FN-12, FN-1; XFN-1", ["FN-1", "FN-12", ""]) == (
        "number-2 and number-1, number-2; XFN-1"
    )
    assert hide_serials("a &lt;b&gt; c", ["<b>"]) == "a number-1 c"
    assert hide_serials("unchanged", []) == "unchanged"


@pytest.mark.parametrize("serial", ["FN-1", "FN-2", "FN-4"])
def test_no_serial_number_of_the_box_is_left(serial: str) -> None:
    assert serial in report()
    assert serial not in hide_serials(report(), ["FN-1", "FN-2", "FN-4"])
