"""Charts of the page, drawn here as SVG: how one figure went over time, with the limits that it has to keep.

The drawing is stretched to the width that there is, so its words stand around it as text: what it shows, both ends of
its scale and of its time. What lies flat at the bottom is none; where nothing is drawn, nothing was read.
"""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from enum import StrEnum
from itertools import groupby
from typing import NamedTuple

from laneproof.outputs.markup import Markup, tag
from laneproof.outputs.page.words import show_time
from laneproof.outputs.time_columns import Grid
from laneproof.outputs.trend import Chart, Form
from laneproof.outputs.trend_text import say_value

HEIGHT = 100
"""Of the drawing, in its own units; it is as wide as there are columns."""
_STEPS = (1, 2, 5, 10)
_TEN = 10.0
_FEW_VALUES = frozenset({Form.RATE, Form.LANES, Form.MBIT})  # of which the best is the top
_LEAST_RATIO, _MOST_RATIO = -18, -6  # powers of ten: less than one error in years of load; a link that hardly works
_SHORT = 32  # height on the page, in CSS pixels, of what only has moments


class Stroke(StrEnum):
    """How a limit is drawn."""

    WARNING = "warning"
    CRITICAL = "critical"
    DECLARED = "declared"


@dataclass(frozen=True, slots=True, kw_only=True)
class Limit:
    """A value that a figure is held against, in whose words; not by this program's own judgement."""

    value: float
    words: str
    stroke: Stroke


class Scale(NamedTuple):
    """What the bottom and the top of a drawing stand for; powers of ten where it is logarithmic."""

    low: float
    high: float
    is_log: bool = False

    def height_of(self, value: float) -> float:
        """Give how far below the top a value is drawn, in the drawing's units."""
        if self.is_log:
            value = math.log10(value) if value > 0 else self.low
        share = (value - self.low) / (self.high - self.low)
        return round(HEIGHT * (1 - min(max(share, 0.0), 1.0)), 1)


def choose_scale(form: Form, values: Sequence[float]) -> Scale:
    """Choose a scale that is easy to read for all that is drawn, limits too."""
    low, high = min(values, default=0.0), max(values, default=0.0)
    if form is Form.CELSIUS:
        bottom, top = _TEN * math.floor(low / _TEN), _TEN * math.ceil(high / _TEN)
        return Scale(bottom, max(top, bottom + 2 * _TEN))
    if form is Form.PERCENT:
        return Scale(0.0, max(100.0, high))
    return Scale(min(0.0, low), high if form in _FEW_VALUES and high > 0 else round_up(high))


def round_up(value: float) -> float:
    """Give the least 1, 2, 5 or 10 times a power of ten that is not below a value; 1 at the least."""
    if value <= 1:
        return 1.0
    power = 10.0 ** math.floor(math.log10(value))
    return next(step * power for step in _STEPS if step * power >= value * (1 - 1e-9))


def choose_ratio_scale(ratios: Iterable[float | None], *limits: float) -> Scale:
    """Choose whole powers of ten for errors a bit, around the errors that there were and the limits."""
    powers = [math.log10(value) for value in (*ratios, *limits) if value]
    low = min([math.floor(power) - 1 for power in powers], default=_LEAST_RATIO)
    return Scale(max(low, _LEAST_RATIO), max([math.ceil(power) for power in powers], default=_MOST_RATIO), is_log=True)


def draw_chart(  # noqa: PLR0913 (the parts of a chart)
    title: str,
    figures: str,
    spans: Sequence[tuple[float, float] | None],
    scale: Scale,
    grid: Grid,
    *,
    ends: tuple[str, str],
    limits: Sequence[Limit] = (),
    moments: Iterable[float] = (),
) -> Markup:
    """Draw a chart, and say the same in words for who does not see it.

    A column spans its least and its most, None where nothing was read; the scale's `ends` are in words. `moments` are
    when the drive disconnected or was reset, unix seconds.
    """
    lines = [(scale.height_of(limit.value), limit) for limit in limits]
    drawing = _draw(
        f"{title}: {figures}",
        grid,
        tag("path", class_="moment", d=_moments(moments, grid)),
        tag("path", class_="span", d=_outline(spans, scale)),
        *(tag("path", class_=f"limit {limit.stroke}", d=f"M0 {y:g}H{grid.count}") for y, limit in lines),
    )
    legend = [tag("li", _sample(limit.stroke), f" {limit.words}") for limit in limits]
    return _frame(
        title, figures, drawing, grid, ends=ends, below=tag("ul", *legend, class_="limits") if legend else None
    )


def draw_moments(title: str, figures: str, moments: Iterable[float], grid: Grid) -> Markup:
    """Draw when something happened, unix seconds, and say how often in words."""
    drawing = _draw(f"{title}: {figures}", grid, tag("path", class_="tick", d=_moments(moments, grid)), height=_SHORT)
    return _frame(title, figures, drawing, grid)


def span_columns(chart: Chart) -> list[tuple[float, float] | None]:
    """Give what is drawn of each column: what a counter gained, else the least and the most."""
    return [
        None if column is None else (0.0, column.gained) if chart.is_counter else (column.low, column.high)
        for column in chart.columns
    ]


def say_ends(scale: Scale, form: Form) -> tuple[str, str]:
    """Say what the bottom and the top of a scale are."""
    return say_value(_plain(scale.low), form), say_value(_plain(scale.high), form)


def _plain(value: float) -> float:
    return int(value) if value == int(value) else value


def _outline(spans: Sequence[tuple[float, float] | None], scale: Scale) -> str:
    """Write the outline of all columns; neighbours with the same figures are one piece."""
    pieces, begin = [], 0
    for span, columns in groupby(spans):
        end = begin + len(list(columns))
        if span is not None:
            low, high = (scale.height_of(value) for value in span)
            pieces.append(f"M{begin} {low:g}V{high:g}H{end}V{low:g}z")
        begin = end
    return "".join(pieces)


def _moments(moments: Iterable[float], grid: Grid) -> str:
    places = sorted({round((t - grid.begins) / grid.step, 2) for t in moments if grid.begins <= t <= grid.until})
    return "".join(f"M{place:g} 0V{HEIGHT}" for place in places)


def _draw(words: str, grid: Grid, *parts: Markup, height: int | None = None) -> Markup:
    return tag(
        "svg", *(part for part in parts if ' d=""' not in part), class_="plot" if height is None else "plot short",
        viewBox=f"0 0 {grid.count} {HEIGHT}", preserveAspectRatio="none", role="img", aria_label=words,
    )  # fmt: skip


def _sample(stroke: Stroke) -> Markup:
    line = tag("path", class_=f"limit {stroke}", d="M0 4H30")
    return tag("svg", line, viewBox="0 0 30 8", width=30, height=8, aria_hidden="true")


def _frame(  # noqa: PLR0913 (the parts of a chart)
    title: str,
    figures: str,
    drawing: Markup,
    grid: Grid,
    *,
    ends: tuple[str, str] | None = None,
    below: Markup | None = None,
) -> Markup:
    """Put the words around a drawing."""
    around = [tag("span", end, class_=name) for end, name in zip(ends or (), ("low", "high"), strict=False)]
    times = (tag("span", show_time(grid.begins), class_="from"), tag("span", show_time(grid.until), class_="until"))
    return tag(
        "figure",
        tag("figcaption", tag("b", title), " ", tag("span", figures, class_="soft")),
        tag("div", *around, drawing, *times, class_="axes"),
        below,
        class_="chart",
    )
