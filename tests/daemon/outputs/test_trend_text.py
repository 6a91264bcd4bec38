"""Small charts in the terminal."""

from dataclasses import replace
from typing import Any

import pytest

from laneproof.history.events import Event
from laneproof.history.series import Series, point_at
from laneproof.outputs.text_style import Style
from laneproof.outputs.time_columns import choose_grid
from laneproof.outputs.trend import Chart, Form, Subject, Trend, choose_worse, count_clean_bits, make_trend
from laneproof.outputs.trend_text import columns_for, draw_bars, say_figures, write_box_trend, write_trend

DAY = 86400.0
MIDNIGHT = 20_000 * DAY
WIDE = Style(width=80)
ASCII = Style(width=80, unicode=False)


def _series(name: str, *values: float | None, end: str = "drive", is_counter: bool = True, days: int = 10) -> Series:
    points = tuple(point_at(MIDNIGHT + number * DAY + 60, value) for number, value in enumerate(values))
    return Series(
        path="0000:00/01.1", drive="FN0001", end=end, name=name, is_counter=is_counter, boot_id=None, points=points,
        known_until=MIDNIGHT + days * DAY,
    )  # fmt: skip


def _trend(*series: Series, width: int = 80, events: tuple[Event, ...] = ()) -> Trend:
    grid = choose_grid(MIDNIGHT, MIDNIGHT + 10 * DAY, columns_for(width))
    grid = replace(grid, step=DAY, count=10, begins=MIDNIGHT)
    subject = Subject(name="riser-1", path="0000:00/01.1", drive="FN0001", drive_name="nvme0, Fulmar N4")
    return make_trend(subject, series, events, grid)


def _row(text: str, label: str) -> str:
    (found,) = [line for line in text.splitlines() if line.startswith(f"  {label}")]
    return found


def test_a_row_says_what_is_shown_and_what_it_came_to() -> None:
    trend = _trend(
        _series("correctable_errors", 0, 0, 1, 1, 9, 9, None, 9, 12, end="port"),
        _series("composite_temperature_celsius", 38, 38, 48, 58, 38, is_counter=False),
        _series("trained_gt_s", 16, 16, 8, 16, end="port", is_counter=False),
    )
    text = write_trend(trend, WIDE)
    # Days 0 to 9; in the seventh, number 6, nothing was read but the minute before the gap.
    assert _row(text, "link errors") == "  link errors         ··▁·█···▃·  12, most 8/d"
    # A day shows the most of it, and begins with the value of the day before.
    assert _row(text, "heat") == "  heat                ▁▁▄██▁▁▁▁▁  38°C, 38 to 58"
    # Of a link the least is shown.
    assert _row(text, "rate") == "  rate                ██▄▄██████  16 GT/s, least 8"
    assert text.startswith("riser-1: 2024-10-04 00:00 to 2024-10-14 00:00 UTC\n\nLink at 0000:00/01.1\n")
    assert "\nDrive nvme0, Fulmar N4, FN0001\n" in text


def test_in_ascii_heights_are_digits() -> None:
    text = write_trend(
        _trend(_series("media_errors", 0, 0, 1, 4, 13), _series("percentage_used", 50, is_counter=False)), ASCII
    )
    assert text.isascii()
    assert _row(text, "media errors") == "  media errors        ..139.....  13, most 9/d"
    assert _row(text, "life used") == "  life used           5555555555  50 %"
    heat = write_trend(_trend(_series("composite_temperature_celsius", 38, is_counter=False)), ASCII)
    assert _row(heat, "heat").endswith("38 deg C")


def test_a_column_that_was_not_read_is_blank() -> None:
    text = write_trend(_trend(_series("media_errors", 0, None, None, None, 0)), ASCII)
    assert _row(text, "media errors") == "  media errors        ..  ......  none"
    assert "a blank was not read" in text


def test_narrow_charts_stand_on_lines_of_their_own() -> None:
    text = write_trend(_trend(_series("media_errors", 0, 2), width=50), Style(width=50))
    assert "  media errors: 2\n    ·█········\n" in text
    assert "\n    2024-10-04" in text  # the axis begins where the chart does


def test_what_never_moved_is_left_out_but_for_what_is_asked_for() -> None:
    names = ("memory_correctable_errors", "memory_uncorrectable_errors", "carrier_changes", "receive_errors")
    text = write_trend(_trend(*(_series(name, 0, end="memory") for name in names)), WIDE)
    shown = [line.split("  ")[1] for line in text.splitlines() if line.endswith("none")]
    assert shown == ["carrier changes", "errors corrected", "uncorrectable"]


def test_the_device_is_not_repeated_where_it_shows_what_the_port_shows() -> None:
    same = [_series("trained_lanes", 4, 4, end=end, is_counter=False) for end in ("port", "device")]
    assert _row(write_trend(_trend(*same), WIDE), "lanes").endswith("x4")
    other = [same[0], _series("trained_lanes", 4, 2, end="device", is_counter=False)]
    text = write_trend(_trend(*other), WIDE)
    assert _row(text, "lanes, port").endswith("x4")
    assert _row(text, "lanes, device").endswith("x2, 2 to 4")


def test_both_ends_errors_are_always_reported() -> None:
    text = write_trend(_trend(*(_series("correctable_errors", 0, end=end) for end in ("port", "device"))), WIDE)
    assert _row(text, "link errors, port").endswith("none")
    assert _row(text, "link errors, device").endswith("none")


def test_what_happened_has_its_own_rows() -> None:
    events = (Event(t=MIDNIGHT + 3 * DAY, kind="link_down", text="a", path="0000:00/01.1"),)
    text = write_trend(_trend(_series("media_errors", 0), events=events), ASCII)
    assert _row(text, "kernel's events") == "  kernel's events     ...9......  1"


def test_without_anything_read_it_says_so() -> None:
    text = write_trend(_trend(_series("media_errors", None)), WIDE)
    assert text.endswith("Nothing was read of riser-1 in that time.\n")


def _chart(name: str, *values: float | None, **facts: Any) -> Chart:
    return _trend(_series(name, *values, **facts)).charts[0]


@pytest.mark.parametrize(
    ("chart", "said"),
    [
        (_chart("media_errors", 0), "none"),
        (_chart("media_errors", 0, 2), "2"),
        (_chart("media_errors", 0, 2, 3), "3, most 2/d"),
        (_chart("media_errors", 0, 9_999), "9999"),
        (_chart("media_errors", 0, 10_000), "10,000"),
        (_chart("media_errors", None), "not read"),
        (_chart("warning_temperature_minutes", 0, 12), "12 min"),
        (_chart("thermal_seconds_1", 0, 90), "90 s"),
        (_chart("trained_lanes", 4, 2, end="port", is_counter=False), "x2, 2 to 4"),
        (_chart("available_spare_percent", 100, 94, is_counter=False), "94 %, 94 to 100"),
        (_chart("available_spare_percent", 100, None, is_counter=False), "not read now"),
        (_chart("composite_temperature_celsius", 38.5, is_counter=False), "38.5°C"),
        (_chart("written_bytes", 0, 10**12), "1 TB"),
    ],
)
def test_figures_in_words(chart: Chart, said: str) -> None:
    assert say_figures(chart, DAY) == said


def test_heat_that_hardly_moves_looks_calm() -> None:
    calm = draw_bars(_chart("composite_temperature_celsius", 38, 39, 38, is_counter=False), ASCII)
    assert set(calm) <= {"4", "5", "6"}


def test_shares_are_drawn_against_the_whole() -> None:
    chart = _chart("available_spare_percent", 100, 50, 0, is_counter=False)
    assert chart.form is Form.PERCENT
    # Each day shows the most of it: the value that the day began with.
    assert draw_bars(chart, ASCII) == "9951111111"


@pytest.mark.parametrize(
    ("errors", "terabytes", "said"),
    [
        (0, 114, "carried 9.1e14 bits of data without an error: below 3.3e-15 a bit at 95 %"),
        (1, 114, None),
        (0, 0.3, None),  # less than the specification itself asks for
    ],
)
def test_a_clean_link_says_what_that_proves(errors: int, terabytes: float, said: str | None) -> None:
    # No event in n trials: below -ln(0.05) / n at 95 % (exact Poisson bound)
    read = _series("read_bytes", 0, terabytes * 1e12)
    text = write_trend(_trend(_series("correctable_errors", 0, errors, end="port"), read), WIDE)
    assert ("without an error" in text) is (said is not None)
    assert said is None or said in text


def test_each_direction_is_proven_by_the_end_that_watches_it() -> None:
    moved = [_series("read_bytes", 0, 100e12), _series("written_bytes", 0, 14e12)]
    both = [_series("correctable_errors", 0, 0, end=end) for end in ("port", "device")]
    assert count_clean_bits(_trend(*both, *moved)) == 8 * 114e12
    assert count_clean_bits(_trend(both[1], *moved)) == 8 * 14e12
    assert count_clean_bits(_trend(*moved)) == 0.0


def test_the_whole_box_says_what_got_worse_and_where_nothing_did() -> None:
    grid = replace(choose_grid(MIDNIGHT, MIDNIGHT + 10 * DAY, 20), step=DAY, count=10, begins=MIDNIGHT)
    series = [_series("media_errors", 0, 0, 3), _series("trained_lanes", 4, 4, 2, end="port", is_counter=False)]
    subjects = [Subject(name="riser-1", path="0000:00/01.1", drive="FN0001"), Subject(name="deck-1", path="elsewhere")]
    still = replace(series[1], path="elsewhere", points=series[1].points[:2])
    text = write_box_trend("kelp-1", choose_worse([*series, still], subjects, grid), grid, WIDE)
    assert text.startswith(
        "kelp-1: 1 of 2 got worse, 2024-10-04 00:00 to 2024-10-14 00:00 UTC\n\nriser-1  0000:00/01.1\n"
    )
    assert _row(text, "media errors").endswith("  3")
    assert _row(text, "lanes").endswith("  x2, 2 to 4")
    assert "\nNothing got worse: deck-1.\n" in text
    steady = write_box_trend("kelp-1", choose_worse([still], subjects, grid), grid, WIDE)
    assert steady.startswith("kelp-1: nothing got worse, ")
    assert write_box_trend("kelp-1", [], grid, WIDE).startswith("kelp-1: nothing was read, ")
