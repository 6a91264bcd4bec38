"""Charts: scales that are easy to read, heights that are right, nothing drawn where nothing was read."""

import re
from typing import Any

import pytest

from boxes.kept_position import BEGINS, DAY, GRID, make_series
from laneproof.outputs.page.charts import (
    HEIGHT,
    Limit,
    Scale,
    Stroke,
    choose_ratio_scale,
    choose_scale,
    draw_chart,
    draw_moments,
    round_up,
    span_columns,
)
from laneproof.outputs.trend import Form, Subject, make_trend
from support.html_tree import Node, read_html
from support.unread_answers import known


@pytest.mark.parametrize(
    ("value", "top"), [(0, 1), (1, 1), (1.5, 2), (7, 10), (10, 10), (11, 20), (34, 50), (50, 50), (2.1e12, 5e12)]
)
def test_a_scale_ends_at_the_next_round_number(value: float, top: float) -> None:
    """The steps 1, 2, 5 of a power of ten. Source: IEC 60063 has the E3 series, which they round; common practice."""
    assert round_up(value) == top


@pytest.mark.parametrize(
    ("form", "values", "low", "high"),
    [
        (Form.CELSIUS, (38, 44, 82, 85), 30, 90),
        (Form.CELSIUS, (-3, 2), -10, 10),
        (Form.CELSIUS, (40,), 40, 60),
        (Form.PERCENT, (1, 3), 0, 100),
        (Form.PERCENT, (130,), 0, 130),
        (Form.LANES, (2, 4, 0), 0, 4),
        (Form.COUNT, (0, 0), 0, 1),
        (Form.BYTES, (0, 3 * 10**12), 0, 5 * 10**12),
    ],
)
def test_each_kind_of_figure_has_its_scale(form: Form, values: tuple[float, ...], low: float, high: float) -> None:
    assert choose_scale(form, values) == Scale(low, high)


@pytest.mark.parametrize(("value", "y"), [(0, HEIGHT), (25, 75), (100, 0), (400, 0), (-5, HEIGHT)])
def test_a_value_is_drawn_at_its_height(value: float, y: float) -> None:
    assert Scale(0, 100).height_of(value) == y


def test_errors_a_bit_are_drawn_by_powers_of_ten() -> None:
    scale = choose_ratio_scale((None, 0.0, 3e-14, 2e-13), 1e-12)
    assert scale == Scale(-15, -12, is_log=True)
    assert [scale.height_of(value) for value in (0.0, 1e-15, 1e-14, 1e-12)] == [100, 100, pytest.approx(66.7), 0]


def figure(spans: list[tuple[float, float] | None], **more: Any) -> Node:
    drawn = draw_chart("Heat", "41 °C", spans, Scale(0, 100), GRID, ends=("0 °C", "100 °C"), **more)
    return read_html(str(drawn)).one("figure")


def outline(drawn: Node) -> list[tuple[float, ...]]:
    """Give left, bottom, top and right of each piece that is drawn."""
    path = str(drawn.one("path", "span").attributes["d"])
    return [
        tuple(map(float, known(re.fullmatch(r"M(\S+) (\S+)V(\S+)H(\S+)V\2", piece)).groups()))
        for piece in path.split("z")[:-1]
    ]


def test_neighbours_of_one_value_are_one_piece_and_what_was_not_read_is_none() -> None:
    assert outline(figure([(0, 25), (0, 25), None, (40, 50)])) == [(0, 100, 75, 2), (3, 60, 50, 4)]


def test_a_chart_of_nothing_read_draws_nothing() -> None:
    assert figure([None] * 4).all("path") == []


def test_a_chart_says_in_words_what_it_draws() -> None:
    limits = (
        Limit(value=80, words="warns at 80 °C", stroke=Stroke.WARNING),
        Limit(value=90, words="critical at 90 °C", stroke=Stroke.CRITICAL),
    )
    drawn = figure([(0, 25)] * 4, limits=limits)
    assert drawn.one("svg", "plot").attributes["aria-label"] == "Heat: 41 °C"
    assert drawn.one("figcaption").text == "Heat 41 °C"
    assert (drawn.one(class_="low").text, drawn.one(class_="high").text) == ("0 °C", "100 °C")
    assert [str(drawn.one(class_=name).one("time").attributes["datetime"])[:10] for name in ("from", "until")] == [
        "2026-09-17",
        "2026-09-21",
    ]
    assert [item.text for item in drawn.all("li")] == ["warns at 80 °C", "critical at 90 °C"]
    assert drawn.all("path", "critical")[0].attributes["d"] == "M0 10H4"
    line, sample = drawn.all("path", "warning")
    assert line.attributes["d"] == "M0 20H4"
    assert sample.attributes["class"] == line.attributes["class"]


def test_moments_are_drawn_where_they_were_and_others_are_left_out() -> None:
    moments = (BEGINS - 1, BEGINS, BEGINS + 0.5 * DAY, BEGINS + 3 * DAY, GRID.until + 1)
    drawn = read_html(str(draw_moments("Resets", "2 times", moments, GRID)))
    assert drawn.one("path").attributes["d"] == "M0 0V100M0.5 0V100M3 0V100"
    assert drawn.one("figcaption").text == "Resets 2 times"


def test_a_counter_is_drawn_by_what_it_gained() -> None:
    series = [
        make_series("media_errors", 5, 7, None, 9),
        make_series("composite_temperature_celsius", 38, 44, is_counter=False),
    ]
    heat, errors, *_ = make_trend(Subject(name="x", path="x"), series, (), GRID).charts
    assert span_columns(errors) == [(0, 0), (0, 2), (0, 0), (0, 2)]
    assert span_columns(heat)[0] == (38, 38)
