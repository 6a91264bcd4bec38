"""A position's history on its page: moments and charts on one time line, and what happened in words."""

from collections.abc import Iterator, Sequence

from laneproof.box.link_rates import rate_of
from laneproof.box.names import Position
from laneproof.evidence.bit_error_ratio import SPECIFIED_ERROR_RATIO
from laneproof.findings import Change
from laneproof.history.events import BOOTED, CHANGED
from laneproof.outputs.events_text import EPISODE, Happening, join_repeats, join_runs
from laneproof.outputs.markup import Markup, tag, write_section
from laneproof.outputs.page.charts import (
    Limit,
    Stroke,
    choose_ratio_scale,
    choose_scale,
    draw_chart,
    draw_moments,
    say_ends,
    span_columns,
)
from laneproof.outputs.page.drives import find_health, temperature_limits
from laneproof.outputs.page.words import count_words, draw_mark, show_time
from laneproof.outputs.position_past import PositionPast
from laneproof.outputs.time_columns import Grid
from laneproof.outputs.trend import Chart, Form, find_error_ratios
from laneproof.outputs.trend_text import leave_out_echoes, name_chart, say_figures, say_length

SPANS = {"day": 86400.0, "month": 30 * 86400.0, "year": 365 * 86400.0}
"""How much time is shown, by its name in the address."""
SHOWN = 40
"""How much of what happened is shown; ``laneproof events`` has all of it."""
_RAISED = f"finding_{Change.RAISED}"
_CLEARED = f"finding_{Change.CLEARED}"
_MOMENTS = (
    (EPISODE, "Disconnects and resets"),
    (_RAISED, "Findings raised"),
    (CHANGED, "Changes of the machine"),
    (BOOTED, "Machine started"),
)
_ALWAYS = (EPISODE,)
_SHOWN_AS_MOMENTS = {"changes", "boots"}
_ECHOES = {"data_units_written": "written_bytes", "data_units_read": "read_bytes"}
"""What a drive itself counts, left out where the kernel counts the same."""
_LEGEND = (
    "Flat at the bottom is none; where nothing is drawn, nothing was read. Pale upright lines: disconnects, resets."
)


def write_history(past: PositionPast, position: Position, span: str) -> Markup:
    """Write the charts of one of `SPANS`, against the limits of the position's link and drive."""
    grid = past.trend.grid
    moments = {kind: [event.t for event in past.happened if event.kind == kind] for kind, _ in _MOMENTS}
    strips = [
        draw_moments(title, _say_times(len(moments[kind])), moments[kind], grid)
        for kind, title in _MOMENTS
        if moments[kind] or kind in _ALWAYS
    ]
    charts = list(_write_charts(past, position, moments[EPISODE]))
    return write_section(
        "History",
        _write_spans(span),
        tag("p", past.watched, f" A column is {say_length(grid.step)}.", class_="soft"),
        tag("div", *strips, class_="charts strips"),
        tag("div", *charts, class_="charts")
        if charts
        else tag("p", "No figure of this position was kept in that time."),
        tag("p", _LEGEND, class_="legend") if charts else None,
    )


def _write_spans(chosen: str) -> Markup:
    links = (
        tag("a", f"1 {span}", href=f"?span={span}", aria_current="true" if span == chosen else None) for span in SPANS
    )
    return tag("nav", *links, class_="spans", aria_label="How much time is shown")


def _say_times(count: int) -> str:
    return "none in that time" if not count else count_words(count, "time", "times")


def _write_charts(past: PositionPast, position: Position, episodes: Sequence[float]) -> Iterator[Markup]:
    trend = past.trend
    known = {chart.name for chart in trend.charts if chart.is_shown}
    left_out = {name for name, same in _ECHOES.items() if same in known} | _SHOWN_AS_MOMENTS
    shown = leave_out_echoes([chart for chart in trend.charts if chart.is_shown and chart.name not in left_out])
    ratios = {chart.end: values for chart, values in find_error_ratios(trend)}
    for chart in shown:
        limits = tuple(_find_limits(chart, position))
        spans = span_columns(chart)
        drawn = [value for span in spans if span for value in span]
        if not chart.is_counter:
            drawn += [limit.value for limit in limits]
        if chart.is_counter or chart.form is not Form.CELSIUS:
            drawn.append(0.0)
        scale = choose_scale(chart.form, drawn)
        title = name_chart(chart, shown)
        yield draw_chart(
            _begin_large(title), say_figures(chart, trend.grid.step), spans, scale, trend.grid,
            ends=say_ends(scale, chart.form), limits=limits, moments=episodes,
        )  # fmt: skip
        if chart.name == "correctable_errors" and chart.end in ratios:
            yield _draw_ratios(title, ratios[chart.end], trend.grid, episodes)


def _draw_ratios(errors: str, ratios: Sequence[float | None], grid: Grid, episodes: Sequence[float]) -> Markup:
    limit = Limit(value=SPECIFIED_ERROR_RATIO, words="what the PCI Express specification allows", stroke=Stroke.WARNING)
    scale = choose_ratio_scale(ratios, limit.value)
    found = [ratio for ratio in ratios if ratio]
    figures = f"most {max(found):.1e}" if found else "none"
    spans = [None if ratio is None else (ratio, ratio) for ratio in ratios]
    ends = f"1e{scale.low:g}", f"1e{scale.high:g}"
    title = _begin_large(errors.replace("errors", "errors a bit of data", 1))
    return draw_chart(title, figures, spans, scale, grid, ends=ends, limits=(limit,), moments=episodes)


def _find_limits(chart: Chart, position: Position) -> Iterator[Limit]:
    """Find what a figure is held against: what the drive itself states, what the owner declared."""
    occupant = position.occupant
    if chart.name == "composite_temperature_celsius" and occupant is not None and occupant.controller is not None:
        warning, critical = temperature_limits(occupant.controller)
        if warning is not None:
            yield Limit(value=warning, words=f"the drive warns at {warning:g} °C", stroke=Stroke.WARNING)
        if critical is not None:
            yield Limit(
                value=critical, words=f"the drive's critical temperature, {critical:g} °C", stroke=Stroke.CRITICAL
            )
    health = find_health(occupant) if occupant is not None else None
    if chart.name == "available_spare_percent" and health is not None:
        threshold = health.available_spare_threshold_percent
        yield Limit(value=threshold, words=f"the drive warns below {threshold} %", stroke=Stroke.WARNING)
    link = position.declared.link if position.declared else None
    if link is None:
        return
    if chart.name == "trained_gt_s" and link.generation is not None:
        rate = rate_of(link.generation)
        yield Limit(value=rate, words=f"declared: generation {link.generation}, {rate:g} GT/s", stroke=Stroke.DECLARED)
    if chart.name == "trained_lanes" and link.lanes is not None:
        yield Limit(value=link.lanes, words=f"declared: x{link.lanes}", stroke=Stroke.DECLARED)


def _begin_large(words: str) -> str:
    return words[:1].upper() + words[1:]


def write_happened(past: PositionPast) -> Markup:
    """Write what happened in words, the newest first."""
    happened = list(reversed(join_repeats(join_runs(past.happened))))
    if not happened:
        return write_section(
            "What happened", tag("p", "Nothing was reported or noticed in that time."), name="happened"
        )
    rows = [tag("li", *_row(happening)) for happening in happened[:SHOWN]]
    rest = len(happened) - SHOWN
    more = (
        tag("p", f"{count_words(rest, 'earlier one', 'earlier ones')}: 'laneproof events' has all.")
        if rest > 0
        else None
    )
    return write_section("What happened", tag("ol", *rows, class_="recent short"), more, name="happened")


def _row(happening: Happening) -> tuple[Markup, ...]:
    kind = happening.kind.replace("_", " ") + (f", {happening.count} times" if happening.count > 1 else "")
    mark = {_RAISED: "differs", _CLEARED: "holds"}.get(happening.kind)
    return (
        show_time(happening.t),
        tag("span", draw_mark(mark) if mark else None, " ", kind, class_="change"),
        tag("span", happening.text, class_="soft"),
    )
