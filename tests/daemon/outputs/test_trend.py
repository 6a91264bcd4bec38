"""What is charted of a position."""

from collections.abc import Sequence

import pytest

from boxes.kept_position import BEGINS, DAY, GRID, HERE, make_series
from laneproof.history import measures
from laneproof.history.events import Event
from laneproof.history.measures import Measure
from laneproof.history.series import Series, point_at
from laneproof.outputs.trend import (
    NAMES,
    Chart,
    Subject,
    Trend,
    as_json,
    choose_worse,
    find_error_ratios,
    make_trend,
)


def trend_of(*series: Series, events: Sequence[Event] = ()) -> Trend:
    return make_trend(HERE, series, events, GRID)


def _chart(trend: Trend, name: str, end: str = "drive") -> Chart:
    (found,) = [chart for chart in trend.charts if (chart.name, chart.end) == (name, end)]
    return found


def test_every_name_that_is_charted_is_kept() -> None:
    known = {measure.name for measure in vars(measures).values() if isinstance(measure, Measure)}
    for group in (measures.HEALTH_FIELDS, measures.BLOCK_FIELDS, measures.SATA_FIELDS):
        known |= {measure.name for measure in group}
    assert known >= NAMES


def test_link_comes_before_drive_and_each_chart_knows_its_figures() -> None:
    trend = trend_of(
        make_series("composite_temperature_celsius", 38, 44, 35, is_counter=False),
        make_series("correctable_errors", 5, 7, 7, 9, end="port"),
        make_series("media_errors", 0),
    )
    assert [chart.section for chart in trend.charts[:3]] == ["link", "drive", "drive"]
    errors, heat = _chart(trend, "correctable_errors", "port"), _chart(trend, "composite_temperature_celsius")
    assert (errors.gained, errors.last) == (4, 9)
    assert (heat.low, heat.high, heat.last) == (35, 44, 35)


def test_what_never_moved_and_says_nothing_by_that_is_not_shown() -> None:
    trend = trend_of(
        make_series("unsafe_shutdowns", 3),
        make_series("media_errors", 0),
        make_series("critical_warning", 0, is_counter=False),
    )
    shown = {chart.name for chart in trend.charts if chart.is_shown}
    assert shown == {"media_errors"}
    moved = trend_of(make_series("unsafe_shutdowns", 3, 4))
    assert _chart(moved, "unsafe_shutdowns").is_shown


def test_what_was_not_read_at_all_is_not_shown() -> None:
    trend = trend_of(make_series("media_errors", None))
    assert not _chart(trend, "media_errors").is_shown


def test_data_units_are_reported_in_bytes() -> None:
    # NVM Express Base Specification 2.0, 5.16.1.3: a data unit is 1000 times 512 bytes; rounded up.
    trend = trend_of(make_series("data_units_written", 1000, 1500))
    written = _chart(trend, "data_units_written")
    assert (written.gained, written.last) == (500 * 512_000, 1500 * 512_000)


def test_events_of_the_kernel_changes_and_boots_are_counted_apart() -> None:
    events = [
        Event(t=BEGINS + 5, kind="link_down", text="a", path=HERE.path, count=3),
        Event(t=BEGINS + DAY, kind="changed", text="b", path=HERE.path),
        Event(t=BEGINS + DAY, kind="booted", text="c"),
        Event(t=BEGINS + DAY, kind="clock_stepped", text="d"),
    ]
    trend = trend_of(make_series("media_errors", 0), events=events)
    gained = {chart.name: chart.gained for chart in trend.charts if chart.section == "events"}
    assert gained == {"events": 3, "changes": 1, "boots": 1}


def test_without_series_nothing_is_charted() -> None:
    trend = trend_of(events=[Event(t=BEGINS, kind="booted", text="c")])
    assert trend.charts == ()


def test_errors_a_bit_are_of_the_data_that_the_end_took_in() -> None:
    trend = trend_of(
        make_series("correctable_errors", 0, 9, 9, 30, end="port"),
        # One error may set two of the classes: the most of them counts. A rollover is no receiver's error.
        make_series("correctable_errors.RxErr", 0, 6, 6, 6, end="port"),
        make_series("correctable_errors.BadTLP", 0, 3, 3, 5, end="port"),
        make_series("correctable_errors.Rollover", 0, 0, 0, 19, end="port"),
        make_series("correctable_errors", 0, 0, 0, 1, end="device"),
        make_series("read_bytes", 0, 10**12, 10**12, 3 * 10**12),
        make_series("data_units_read", 0, 10**12),
    )
    ((chart, ratios),) = find_error_ratios(trend)  # nothing is known of what was written
    assert chart.end == "port"
    assert ratios == (None, 6 / 8e12, None, 2 / 16e12)


def test_without_an_error_the_ratio_is_none_at_all() -> None:
    series = [make_series("correctable_errors", 0, 0, end="device"), make_series("data_units_written", 0, 1)]
    ((_, ratios),) = find_error_ratios(trend_of(*series))
    assert ratios == (None, 0.0, None, None)


def test_json_holds_columns_and_the_points_behind_them() -> None:
    series = [
        make_series("correctable_errors", 5, None, None, 9, end="port"),
        make_series("percentage_used", 2, 3, is_counter=False),
    ]
    reported = as_json(trend_of(*series))
    assert (reported["subject"], reported["path"], reported["drive"]) == ("riser-2", "0000:00/01.2", "FN-2")
    assert (reported["since"], reported["column_seconds"]) == ("2026-09-17T00:00:00Z", DAY)
    errors, used = reported["charts"][:2]
    assert errors["columns"] == [{"gained": 0}, {"gained": 0}, None, {"gained": 4}]
    assert used["columns"][:2] == [{"low": 2, "high": 2}, {"low": 2, "high": 3}]
    assert used["gained"] is None
    assert [point["last"] for point in reported["series"][0]["points"]] == [5, None, None, 9]


@pytest.mark.parametrize(
    ("name", "values", "is_counter", "worse"),
    [
        ("correctable_errors", (0, 1, 20, 60), True, True),
        ("correctable_errors", (0, 40, 50, 52), True, False),  # fewer and fewer
        ("correctable_errors", (0, 0, 1, 4), True, False),  # a few say nothing
        ("media_errors", (3, 3, 4), True, True),
        ("media_errors", (3, 3, 3), True, False),
        ("unsafe_shutdowns", (3, 9), True, False),  # it says nothing of the drive
        ("trained_lanes", (4, 4, 2), False, True),
        ("trained_lanes", (2, 4, 4), False, False),
        ("available_spare_percent", (100, 97), False, True),
        ("pending_sectors", (0, 8), False, True),
        ("composite_temperature_celsius", (30, 60), False, False),
    ],
)
def test_worse_is_more_errors_or_less_of_what_it_was(
    name: str,
    values: tuple[float, ...],
    is_counter: bool,
    worse: bool,
) -> None:
    (chart,) = trend_of(make_series(name, *values, is_counter=is_counter)).charts[:1]
    assert chart.got_worse == worse


def test_what_got_worse_stands_with_the_position_and_a_drives_own_goes_with_it() -> None:
    moved = Subject(name="riser-2", path="0000:00/01.2", drive="FN0001")
    lanes, media = (
        Series(path="0000:00/01.1", drive="FN0001", end=end, name=name, is_counter=is_counter, boot_id=None,
               points=(point_at(BEGINS, 4), point_at(BEGINS + DAY, after)), known_until=BEGINS + 2 * DAY)
        for name, end, is_counter, after in (("trained_lanes", "port", False, 2), ("media_errors", "drive", True, 5))
    )  # fmt: skip
    subjects = [Subject(name="riser-1", path="0000:00/01.1"), moved]
    worse = choose_worse([lanes, media], subjects, GRID)
    assert [(subject.name, [chart.name for chart in charts]) for subject, charts in worse] == [
        ("riser-1", ["trained_lanes"]),
        ("riser-2", ["media_errors"]),
    ]
