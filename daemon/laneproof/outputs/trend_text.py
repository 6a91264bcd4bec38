"""A trend as small charts in the terminal: one row a figure, one character a column of time.

Rules of this module: a figure stands beside each chart, so that nothing has to be read off it; a column in which
nothing was read is blank, one in which a counter gained nothing is a dot. The text fits the width that it is given and
needs no more than ASCII where the terminal has no more: heights are then the digits 1 to 9.
"""

import math
from collections.abc import Iterator, Sequence

from laneproof.declaration.units import format_bytes
from laneproof.evidence.bit_error_ratio import SPECIFIED_ERROR_RATIO, clean_error_ratio
from laneproof.evidence.not_enough import NotEnough
from laneproof.findings import write_time
from laneproof.history.origins import DEVICE, PORT
from laneproof.history.retention import DAY, HOUR
from laneproof.history.sample import Value
from laneproof.outputs.text_style import HEADING, NARROWEST, Style
from laneproof.outputs.time_columns import Column, Grid
from laneproof.outputs.trend import Chart, Form, Trend, Worse, count_clean_bits

_LABEL = 22  # columns of the text before a chart
_FIGURES = 25  # and after it
_TWO_LINES_BELOW = 72  # narrower than this, a chart stands on a line of its own
_INDENT = 4
_FULL_UNICODE, _FULL_ASCII = "▁▂▃▄▅▆▇█", "123456789"
_CALMEST_CELSIUS = 10.0  # heat is drawn over at least this many degrees, or a sensor's jitter looks like a storm
_HEADINGS = {"link": "Link at {path}", "drive": "Drive {drive}", "": "{name}", "events": "What happened"}
_FIGURE_FORMS = {
    Form.CELSIUS: "{}°C",
    Form.PERCENT: "{} %",
    Form.RATE: "{} GT/s",
    Form.LANES: "x{}",
    Form.MBIT: "{} Mb/s",
}
_LENGTHS = ((DAY, "day"), (HOUR, "hour"), (60.0, "minute"))
_THOUSAND = 1000
_WORSE = (
    "Worse is: more and more correctable errors, any others, or a link, a drive's spare, an array below what it was. "
    "'laneproof trend POSITION' shows one of them whole."
)
_ROUNDING = 1e-9


def columns_for(width: int) -> int:
    """Give how many columns of time a text of so many characters has room for."""
    width = max(width, NARROWEST)
    return width - _INDENT if width < _TWO_LINES_BELOW else width - _LABEL - _FIGURES - 2


def write_trend(trend: Trend, style: Style) -> str:
    """Write the whole text, with a line end; the trend has at most `columns_for` the style's width columns."""
    lines = style.wrap_under(trend.subject.name, f": {_say_span(trend.grid)}", HEADING)
    shown = leave_out_echoes([chart for chart in trend.charts if chart.is_shown])
    if not shown:
        lines += ["", *style.wrap(f"Nothing was read of {trend.subject.name} in that time.", rest="")]
        return "\n".join(lines) + "\n"
    for section, heading in _HEADINGS.items():
        charts = [chart for chart in shown if chart.section == section]
        if charts:
            words = style.cut(style.clean(_heading(heading, trend)), style.width)
            lines += ["", style.paint(words, HEADING)]
            for chart in charts:
                lines += _rows(chart, shown, trend.grid, style)
            if section == "link":
                lines += _prove(trend, style)
    lines += ["", *_axis(trend.grid, style), *_legend(trend.grid, style)]
    return "\n".join(lines) + "\n"


def write_box_trend(name: str, worse: Sequence[Worse], grid: Grid, style: Style) -> str:
    """Write what got worse in a whole box, of every position of which something was read, with a line end."""
    fallen = [(subject, leave_out_echoes(charts)) for subject, charts in worse if charts]
    said = (
        f"{len(fallen)} of {len(worse)} got worse" if fallen else "nothing got worse" if worse else "nothing was read"
    )
    lines = style.wrap_under(f"{name}: {said}", f", {_say_span(grid)}", HEADING)
    for subject, charts in fallen:
        lines += [
            "",
            *style.wrap_under(subject.name, f"  {subject.path}" if subject.path != subject.name else "", HEADING),
        ]
        for chart in charts:
            lines += _rows(chart, charts, grid, style)
    if fallen:
        lines += ["", *_axis(grid, style), *_legend(grid, style)]
    if steady := [subject.name for subject, charts in worse if not charts]:
        lines += ["", *style.wrap(f"Nothing got worse: {', '.join(steady)}.", rest="  ")]
    lines += ["", *style.wrap(_WORSE, rest="")]
    return "\n".join(lines) + "\n"


def leave_out_echoes(charts: Sequence[Chart]) -> list[Chart]:
    """Leave out what the device's end reports of rate and lanes where the port's end reports the same."""
    ports = {chart.name: chart.columns for chart in charts if chart.end == PORT}
    return [
        chart
        for chart in charts
        if chart.is_counter or not chart.end.startswith(DEVICE) or ports.get(chart.name) != chart.columns
    ]


def _heading(heading: str, trend: Trend) -> str:
    subject = trend.subject
    drive = ", ".join(filter(None, (subject.drive_name, subject.drive)))
    return heading.format(path=subject.path, drive=drive, name=subject.name).strip()


def _prove(trend: Trend, style: Style) -> list[str]:
    """Say what a link without an error has shown, once that is more than the specification asks for."""
    bits = count_clean_bits(trend)
    ratio = clean_error_ratio(bits)
    if isinstance(ratio, NotEnough) or ratio >= SPECIFIED_ERROR_RATIO:
        return []
    carried = f"{bits:.1e}".replace("e+", "e")
    said = f"carried {carried} bits of data without an error: below {ratio:.1e} a bit at 95 %"
    return style.wrap(said, "  ", "  ")


# --- one chart --------------------------------------------------------------------------------------------------------


def _rows(chart: Chart, shown: Sequence[Chart], grid: Grid, style: Style) -> Iterator[str]:
    label = style.clean(name_chart(chart, shown))
    bars = draw_bars(chart, style)
    figures = style.clean(say_figures(chart, grid.step))
    if style.width < _TWO_LINES_BELOW:
        room = style.width - 2
        yield "  " + style.cut(f"{label}: {figures}", room)
        yield f"{'':{_INDENT}}{bars}".rstrip()
        return
    room = style.width - _LABEL - 2 - len(bars)
    yield f"  {style.cut(label, _LABEL - 3):<{_LABEL - 2}}{bars}  {style.cut(figures, room)}".rstrip()


def name_chart(chart: Chart, shown: Sequence[Chart]) -> str:
    """Name the end only where several charts have the same words."""
    same = [other for other in shown if (other.section, other.name) == (chart.section, chart.name)]
    if len(same) < 2:  # noqa: PLR2004 (several)
        return chart.words
    short = {PORT: "port", DEVICE: "device"}.get(chart.end, chart.end)
    return f"{chart.words}, {short}" if short else chart.words


def draw_bars(chart: Chart, style: Style) -> str:
    """Draw one character for each column."""
    heights = _FULL_UNICODE if style.unicode else _FULL_ASCII
    nothing = "·" if style.unicode else "."
    low, high = _scale(chart)
    return "".join(_bar(column, chart, heights, nothing, low, high) for column in chart.columns)


def _bar(column: Column | None, chart: Chart, heights: str, nothing: str, low: float, high: float) -> str:  # noqa: PLR0913 (a cell)
    if column is None:
        return " "
    value = _shown_value(column, chart)
    if chart.is_counter and not value:
        return nothing
    share = (value - low) / (high - low) if high > low else 0.0
    return heights[max(0, math.ceil(share * len(heights) - _ROUNDING) - 1)]


def _shown_value(column: Column, chart: Chart) -> Value:
    """What a column stands for: of a link the least, for that is what one wants to see, else the most."""
    if chart.is_counter:
        return column.gained
    return column.low if chart.form in (Form.RATE, Form.LANES, Form.MBIT) else column.high


def _scale(chart: Chart) -> tuple[float, float]:
    values = [_shown_value(column, chart) for column in chart.read]
    low, high = min(values, default=0), max(values, default=0)
    if chart.form is Form.PERCENT:
        return 0.0, max(100.0, high)
    if chart.form is Form.CELSIUS:
        spread = max(_CALMEST_CELSIUS, high - low)
        middle = (high + low) / 2
        return middle - spread / 2, middle + spread / 2
    return 0.0, float(high)


# --- figures ----------------------------------------------------------------------------------------------------------


def say_figures(chart: Chart, step: float) -> str:
    """Say in words what a chart shows, whose columns are so many seconds long."""
    if chart.is_counter:
        return _say_counter(chart, step)
    if not chart.read or chart.low is None or chart.high is None:
        return "not read"
    now = "not read now" if chart.last is None else say_value(chart.last, chart.form)
    if chart.low == chart.high:
        return now
    if chart.form in (Form.RATE, Form.LANES, Form.MBIT) and chart.last == chart.high:
        return f"{now}, least {_bare(chart.low)}"
    return f"{now}, {_bare(chart.low)} to {_bare(chart.high)}" if chart.form is not Form.BYTES else now


def _say_counter(chart: Chart, step: float) -> str:
    if not chart.read:
        return "not read"
    if not chart.gained:
        return "none"
    whole, most = say_value(chart.gained, chart.form), max(column.gained for column in chart.read)
    busy = sum(1 for column in chart.read if column.gained)
    if busy == 1:
        return whole
    return f"{whole}, most {say_value(most, chart.form)}/{_short_length(step)}"


def say_value(value: Value, form: Form) -> str:
    """Write one figure with its unit."""
    if form is Form.BYTES:
        return format_bytes(int(value))
    if form is Form.MINUTES:
        return f"{value} min"
    if form is Form.SECONDS:
        return f"{value} s"
    return _FIGURE_FORMS.get(form, "{}").format(_bare(value))


def _bare(value: Value) -> str:
    if isinstance(value, float):
        return f"{value:g}"
    return f"{value:,}" if abs(value) >= 10 * _THOUSAND else str(value)


def _short_length(step: float) -> str:
    for seconds, letter in ((DAY, "d"), (HOUR, "h"), (60.0, "min")):
        if step >= seconds:
            number = step / seconds
            return letter if number == 1 else f"{number:g} {letter}"
    return f"{step:g} s"


# --- time -------------------------------------------------------------------------------------------------------------


def _axis(grid: Grid, style: Style) -> Iterator[str]:
    """Write when the first column begins and when the last one ends, below them."""
    begin, end = (_day_and_time(moment) for moment in (grid.begins, grid.until))
    if grid.step >= DAY:
        begin, end = begin[:10], end[:10]
    indent = _INDENT if style.width < _TWO_LINES_BELOW else _LABEL
    room = max(grid.count - len(begin) - len(end), 2)
    line = f"{'':{indent}}{begin}{'':{room}}{end}"
    yield line if len(line) <= style.width else f"{'':{indent}}{begin}"


def _legend(grid: Grid, style: Style) -> list[str]:
    nothing = "·" if style.unicode else "."
    text = f"Each column is {say_length(grid.step)}; '{nothing}' is none, a blank was not read."
    return style.wrap(text, rest="")


def say_length(step: float) -> str:
    """Say how long a column is: ``6 hours``."""
    for seconds, word in _LENGTHS:
        if step >= seconds:
            number = round(step / seconds, 1)
            return f"1 {word}" if number == 1 else f"{number:g} {word}s"
    return f"{step:g} seconds"


def _say_span(grid: Grid) -> str:
    return f"{_day_and_time(grid.begins)} to {write_time(grid.until)}"


def _day_and_time(t: float) -> str:
    return write_time(t).removesuffix(" UTC")
