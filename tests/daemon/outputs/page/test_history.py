"""A position's history on its page: which charts there are, against what they are held, and what happened in words."""

from dataclasses import replace

import pytest

from boxes.kept_position import BEGINS, DAY, find_position, make_past, make_series
from laneproof.box.names import Position
from laneproof.outputs.events_text import Happening
from laneproof.outputs.page.history import SHOWN, SPANS, write_happened, write_history
from laneproof.outputs.position_past import PositionPast
from support.html_tree import Node, read_html


def history(past: PositionPast | None = None, position: Position | None = None, span: str = "month") -> Node:
    return read_html(str(write_history(past or make_past(), position or find_position(), span)))


def titles(root: Node) -> list[str]:
    return [caption.one("b").text for caption in root.all("figcaption")]


def chart(root: Node, title: str) -> Node:
    (found,) = [figure for figure in root.all("figure") if figure.one("figcaption").one("b").text == title]
    return found


def test_moments_and_charts_share_one_line_of_time() -> None:
    shown = history()
    assert titles(shown) == [
        "Disconnects and resets", "Findings raised", "Changes of the machine", "Machine started",
        "Link errors", "Link errors a bit of data", "Heat", "Life used", "Read",
    ]  # fmt: skip
    assert {svg.attributes["viewbox"] for svg in shown.all("svg", "plot")} == {"0 0 4 100"}
    assert "1 time" in chart(shown, "Machine started").text
    episode = chart(shown, "Disconnects and resets").one("path").attributes["d"]
    assert chart(shown, "Heat").one("path", "moment").attributes["d"] == episode == "M1.25 0V100"


def test_errors_a_bit_stand_against_what_the_specification_allows() -> None:
    drawn = chart(history(), "Link errors a bit of data")
    # 4 errors in the second column's 1e12 bytes: 4 / 8e12. The third column's bytes came without an error.
    assert "most 5.0e-13" in drawn.one("figcaption").text
    assert drawn.one("li").text == "what the PCI Express specification allows"
    assert (drawn.one(class_="low").text, drawn.one(class_="high").text) == ("1e-14", "1e-12")


def test_heat_stands_against_the_drives_own_limits() -> None:
    drawn = chart(history(), "Heat")
    limits = [item.text for item in drawn.all("li")]
    assert limits == ["the drive warns at 80 °C", "the drive's critical temperature, 85 °C"]
    assert [path.attributes["class"] for path in drawn.one("svg", "plot").all("path", "limit")] == [
        "limit warning",
        "limit critical",
    ]


def test_a_link_stands_against_its_declaration() -> None:
    past = make_past(make_series("trained_lanes", 4, 4, 2, end="port", is_counter=False))
    drawn = chart(history(past), "Lanes")
    assert drawn.one("li").text == "declared: x4"
    assert drawn.one("path", "span").attributes["d"] == "M0 0V0H2V0zM2 50V0H3V50zM3 50V50H4V50z"
    undeclared = replace(find_position(), declared=None)
    assert chart(history(past, undeclared), "Lanes").all("li") == []


def test_what_the_drive_counts_besides_the_kernel_is_left_out() -> None:
    assert "Read, by drive" not in titles(history(make_past(make_series("data_units_read", 1, 2))))


@pytest.mark.parametrize("span", SPANS)
def test_the_time_that_is_shown_is_marked(span: str) -> None:
    links = history(span=span).one("nav").all("a")
    assert [link.attributes["href"] for link in links] == ["?span=day", "?span=month", "?span=year"]
    assert [link.text for link in links if link.attributes.get("aria-current")] == [f"1 {span}"]


def test_without_a_figure_it_says_so() -> None:
    past = make_past()
    shown = history(replace(past, trend=replace(past.trend, charts=(), series=()), happened=()))
    assert "No figure of this position was kept in that time." in shown.text
    assert titles(shown) == ["Disconnects and resets"]
    assert "none in that time" in shown.text


def test_what_happened_is_told_the_newest_first() -> None:
    rows = read_html(str(write_happened(make_past()))).all("li")
    assert [row.one(class_="change").text for row in rows] == ["note", "finding raised", "episode", "changed", "booted"]
    assert rows[0].one(class_="soft").text == "reseated the cable"


@pytest.mark.parametrize(("more", "said"), [(0, False), (1, True)])
def test_what_is_too_much_is_counted(*, more: int, said: bool) -> None:
    many = tuple(Happening(t=BEGINS + number * DAY, kind="note", text="x") for number in range(SHOWN + more))
    shown = read_html(str(write_happened(replace(make_past(), happened=many))))
    assert len(shown.all("li")) == SHOWN
    assert ("1 earlier one: 'laneproof events' has all." in shown.text) == said


def test_a_quiet_time_is_said_to_be_one() -> None:
    assert "Nothing was reported or noticed" in str(write_happened(replace(make_past(), happened=())))
