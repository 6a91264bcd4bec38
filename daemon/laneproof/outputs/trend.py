"""What is charted of a position: its link's history, which stays with the path, and its drive's, which goes with it.

Rules of this module: it arranges what was kept and judges none; what never moved and says nothing by that is left out
of the text and stays in the JSON.
"""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

from laneproof.findings import format_time
from laneproof.history.events import BOOTED, CHANGED, CLOCK_STEPPED, Event
from laneproof.history.origins import DEVICE, DRIVE, PORT
from laneproof.history.sample import Value
from laneproof.history.series import Series
from laneproof.outputs.time_columns import Column, Grid, count_times, fill_columns

SCHEMA = 1
DATA_UNIT_BYTES = 512_000  # NVM Express Base Specification 2.0, 5.16.1.3: thousands of 512 bytes


class Form(StrEnum):
    """How a figure is written, and between what its chart is drawn."""

    COUNT = "count"
    BYTES = "bytes"
    CELSIUS = "celsius"
    PERCENT = "percent"
    RATE = "GT/s"
    LANES = "lanes"
    MINUTES = "minutes"
    SECONDS = "seconds"
    MBIT = "Mb/s"
    OTHER = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Wanted:
    """One measure that is charted; a quiet one is left out of the text where it never moved."""

    name: str
    words: str
    form: Form = Form.COUNT
    quiet: bool = True
    times: int = 1


_WANTED = (
    _Wanted(name="correctable_errors", words="link errors", quiet=False),
    _Wanted(name="nonfatal_errors", words="non-fatal errors"),
    _Wanted(name="fatal_errors", words="fatal errors"),
    _Wanted(name="trained_gt_s", words="rate", form=Form.RATE, quiet=False),
    _Wanted(name="trained_lanes", words="lanes", form=Form.LANES, quiet=False),
    _Wanted(name="asleep", words="asleep", form=Form.OTHER),
    _Wanted(name="composite_temperature_celsius", words="heat", form=Form.CELSIUS, quiet=False),
    _Wanted(name="temperature_celsius", words="heat", form=Form.CELSIUS, quiet=False),
    _Wanted(name="warning_temperature_minutes", words="too hot", form=Form.MINUTES),
    _Wanted(name="critical_temperature_minutes", words="far too hot", form=Form.MINUTES),
    _Wanted(name="thermal_seconds_1", words="throttled, light", form=Form.SECONDS),
    _Wanted(name="thermal_seconds_2", words="throttled, heavy", form=Form.SECONDS),
    _Wanted(name="media_errors", words="media errors", quiet=False),
    _Wanted(name="available_spare_percent", words="spare left", form=Form.PERCENT, quiet=False),
    _Wanted(name="percentage_used", words="life used", form=Form.PERCENT, quiet=False),
    _Wanted(name="critical_warning", words="critical warning", form=Form.OTHER),
    _Wanted(name="unsafe_shutdowns", words="power lost"),
    _Wanted(name="written_bytes", words="written", form=Form.BYTES, quiet=False),
    _Wanted(name="read_bytes", words="read", form=Form.BYTES, quiet=False),
    _Wanted(name="data_units_written", words="written, by drive", form=Form.BYTES, times=DATA_UNIT_BYTES),
    _Wanted(name="data_units_read", words="read, by drive", form=Form.BYTES, times=DATA_UNIT_BYTES),
    _Wanted(name="reallocated_sectors", words="reallocated", form=Form.OTHER, quiet=False),
    _Wanted(name="pending_sectors", words="pending sectors", form=Form.OTHER, quiet=False),
    _Wanted(name="uncorrectable_sectors", words="uncorrectable", form=Form.OTHER),
    _Wanted(name="interface_errors", words="interface errors", quiet=False),
    _Wanted(name="degraded", words="members missing", form=Form.OTHER, quiet=False),
    _Wanted(name="mismatch_sectors", words="mismatches", form=Form.OTHER),
    _Wanted(name="member_errors", words="member's errors", form=Form.OTHER),
    _Wanted(name="bad_block_sectors", words="bad blocks", form=Form.OTHER),
    _Wanted(name="speed_mbit_s", words="speed", form=Form.MBIT, quiet=False),
    _Wanted(name="carrier_changes", words="carrier changes", quiet=False),
    _Wanted(name="receive_errors", words="receive errors"),
    _Wanted(name="transmit_errors", words="transmit errors"),
    _Wanted(name="aggregated_ports", words="ports together", form=Form.OTHER, quiet=False),
    _Wanted(name="link_failures", words="link failures"),
    _Wanted(name="memory_correctable_errors", words="errors corrected", quiet=False),
    _Wanted(name="memory_uncorrectable_errors", words="uncorrectable", quiet=False),
    _Wanted(name="celsius", words="heat", form=Form.CELSIUS, quiet=False),
    _Wanted(name="fan_rpm", words="fan, rpm", form=Form.OTHER, quiet=False),
    _Wanted(name="watts", words="power, W", form=Form.OTHER, quiet=False),
    _Wanted(name="throttle_count", words="throttled"),
    _Wanted(name="available_bytes", words="room left", form=Form.BYTES, quiet=False),
)
"""In the order in which a person wants to read them: the link, heat, the medium, wear, load, the rest of the box."""

_ERRORS = frozenset(
    {"correctable_errors", "nonfatal_errors", "fatal_errors", "media_errors", "critical_temperature_minutes",
     "reallocated_sectors", "pending_sectors", "uncorrectable_sectors", "interface_errors", "degraded",
     "mismatch_sectors", "member_errors", "bad_block_sectors", "receive_errors", "transmit_errors", "link_failures",
     "memory_correctable_errors", "memory_uncorrectable_errors"}
)  # fmt: skip
"""What got worse where there is more of it."""
_STRENGTHS = frozenset({"trained_gt_s", "trained_lanes", "available_spare_percent", "speed_mbit_s", "aggregated_ports"})
"""What got worse where there is less of it."""
_FEW_ERRORS = 10
"""Fewer correctable errors than this say nothing, nor do as many in the earlier half of the time. Our choice."""
WORSE_NAMES = _ERRORS | _STRENGTHS
NAMES = frozenset(wanted.name for wanted in _WANTED)

_OF_THE_DAEMON = frozenset({BOOTED, CLOCK_STEPPED, CHANGED})


@dataclass(frozen=True, slots=True, kw_only=True)
class Subject:
    """What a trend is about: a position or part, and the drive in it, by serial number and by what it calls itself.

    `path` is the position's, or the name of the thing.
    """

    name: str
    path: str
    drive: str = ""
    drive_name: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Chart:
    """One counter or reading over time; a counter's columns are what it gained in them.

    `section` is ``link``, ``drive``, ``events``, or empty for the rest; `end` is who reported it: ``port``, ``device``,
    ``drive`` or the name of a part. A column in which nothing was read is None, as is `last` where it cannot be read
    now.
    """

    section: str
    end: str
    name: str
    words: str
    form: Form
    is_counter: bool
    is_shown: bool
    columns: tuple[Column | None, ...]
    last: Value | None

    @property
    def read(self) -> tuple[Column, ...]:
        """The columns in which something was read."""
        return tuple(column for column in self.columns if column is not None)

    @property
    def gained(self) -> Value:
        """What a counter gained in all."""
        return sum(column.gained for column in self.read)

    @property
    def got_worse(self) -> bool:
        """Whether errors were counted (correctable ones: more and more), or something is below what it was."""
        if self.is_counter and self.name == "correctable_errors":
            later = sum(column.gained for column in self.columns[len(self.columns) // 2 :] if column)
            return self.gained >= _FEW_ERRORS and later > self.gained - later
        if self.is_counter:
            return self.name in _ERRORS and self.gained > 0
        if not self.read or self.last is None:
            return False
        if self.name in _STRENGTHS:
            return self.last < max(column.high for column in self.read)
        return self.name in _ERRORS and self.last > min(column.low for column in self.read)

    @property
    def low(self) -> Value | None:
        """The least value."""
        return min((column.low for column in self.read), default=None)

    @property
    def high(self) -> Value | None:
        """The most."""
        return max((column.high for column in self.read), default=None)


@dataclass(frozen=True, slots=True, kw_only=True)
class Trend:
    """A position's charts, on one grid."""

    subject: Subject
    grid: Grid
    charts: tuple[Chart, ...]
    series: tuple[Series, ...]


Worse = tuple[Subject, tuple[Chart, ...]]
"""A position or part, and the charts of what got worse there; none where nothing did."""


def choose_worse(series: Iterable[Series], subjects: Sequence[Subject], grid: Grid) -> list[Worse]:
    """Find what got worse at each of many positions, from series of the measures `WORSE_NAMES`.

    Returns:
        Every subject of which something was read, with the charts of what got worse.
    """
    drives = {subject.drive: subject for subject in subjects if subject.drive}
    paths = {subject.path: subject for subject in subjects}
    parts: dict[str, list[Series]] = {}
    for part in series:
        subject = drives.get(part.drive) if part.end == DRIVE and part.drive else paths.get(part.path)
        if subject is not None:
            parts.setdefault(subject.path, []).append(part)
    return [
        (subject, tuple(chart for chart in _charts(parts[subject.path], grid) if chart.got_worse))
        for subject in subjects
        if subject.path in parts
    ]


def make_trend(subject: Subject, series: Sequence[Series], events: Iterable[Event], grid: Grid) -> Trend:
    """Arrange what was kept of a position: series of its path and drive, events of its path and of the machine."""
    charts = tuple(_charts(series, grid))
    known = [any(chart.columns[column] is not None for chart in charts) for column in range(grid.count)]
    marks = tuple(_event_charts(tuple(events), grid, known)) if charts else ()
    return Trend(subject=subject, grid=grid, charts=(*charts, *marks), series=tuple(series))


def _charts(series: Sequence[Series], grid: Grid) -> Iterator[Chart]:
    chains: dict[tuple[str, str, str], list[Series]] = {}
    for part in series:
        chains.setdefault((_section(part.end), part.end, part.name), []).append(part)
    for section in ("link", "drive", ""):
        for wanted in _WANTED:
            for (of, end, name), chain in chains.items():
                if (of, name) == (section, wanted.name):
                    yield _chart(wanted, section, end, chain, grid)


def _section(end: str) -> str:
    if end == DRIVE:
        return "drive"
    return "link" if end in (PORT, DEVICE) or end.startswith(f"{DEVICE}.") else ""


def _chart(wanted: _Wanted, section: str, end: str, chain: Sequence[Series], grid: Grid) -> Chart:
    columns = fill_columns(chain, grid)
    if wanted.times != 1:
        columns = tuple(column and Column(*(value * wanted.times for value in column)) for column in columns)
    is_counter = chain[0].is_counter
    latest = max(chain, key=lambda part: part.known_until)
    moved = any(column and (column.gained if is_counter else column.high) for column in columns)
    return Chart(
        section=section,
        end=end,
        name=wanted.name,
        words=wanted.words,
        form=wanted.form,
        is_counter=is_counter,
        is_shown=any(columns) and (moved or not wanted.quiet),
        columns=columns,
        last=None if latest.last is None else latest.last * wanted.times,
    )


def _event_charts(events: Sequence[Event], grid: Grid, known: Sequence[bool]) -> Iterator[Chart]:
    for name, words, wanted in (
        ("events", "kernel's events", [event for event in events if event.kind not in _OF_THE_DAEMON]),
        ("changes", "changes", [event for event in events if event.kind == CHANGED]),
        ("boots", "machine started", [event for event in events if event.kind == BOOTED]),
    ):
        columns = count_times(((event.t, event.count) for event in wanted), grid, known)
        count = sum(column.gained for column in columns if column)
        yield Chart(
            section="events", end="", name=name, words=words, form=Form.COUNT, is_counter=True, is_shown=count > 0,
            columns=columns, last=count,
        )  # fmt: skip


_MOVED = {PORT: ("read_bytes", "data_units_read"), DEVICE: ("written_bytes", "data_units_written")}
"""What an end of the link takes in: the port what is read, the device what is written."""
_RECEIVER_CLASSES = tuple(f"correctable_errors.{name}" for name in ("RxErr", "BadTLP", "BadDLLP"))
"""The kernel's names (Documentation/ABI/testing/sysfs-bus-pci-devices-aer_stats)."""


def count_clean_bits(trend: Trend) -> float:
    """Count the bits of data that the link is known to have carried without an error; 0 where it made one.

    What was read goes up and is watched by the port's end, what was written goes down and is watched by the device's.
    The link's own symbols are left out: a link that rests sends none, and nobody counted for how long it did.
    """
    ends = {
        chart.end: chart for chart in trend.charts if chart.section == "link" and chart.name == "correctable_errors"
    }
    if any(chart.gained for chart in ends.values()):
        return 0.0
    return 8.0 * sum(
        sum(chart.gained for chart in _find_moved(trend, end)) for end in _MOVED if end in ends and ends[end].read
    )


def _find_moved(trend: Trend, end: str) -> list[Chart]:
    """Give the charts of the bytes that an end of the link took in: by the disks' statistics, else the drive's own."""
    found = ([chart for chart in trend.charts if chart.name == name and chart.read] for name in _MOVED[end])
    return next(filter(None, found), [])


def find_error_ratios(trend: Trend) -> Iterator[tuple[Chart, tuple[float | None, ...]]]:
    """Give each end's receiver errors a bit of data that it took in, by column; None where no data is known of.

    One error on the wire sets one of the receiver's three classes, or two, so that the most of them is the count.
    """
    for chart in trend.charts:
        moved = _find_moved(trend, chart.end) if chart.name == "correctable_errors" and chart.end in _MOVED else []
        if not moved:
            continue
        classes = [
            fill_columns([part for part in trend.series if (part.end, part.name) == (chart.end, name)], trend.grid)
            for name in _RECEIVER_CLASSES
        ]
        ratios: list[float | None] = []
        for number, column in enumerate(chart.columns):
            errors = max((cell.gained for cells in classes if (cell := cells[number])), default=0)
            carried = 8.0 * sum(cell.gained for part in moved if (cell := part.columns[number]))
            ratios.append(errors / carried if column and carried else None)
        yield chart, tuple(ratios)


def as_json(trend: Trend) -> dict[str, Any]:
    """Give a trend as a JSON object: the charts' columns, and the points behind them."""
    grid = trend.grid
    return {
        "schema": SCHEMA,
        "subject": trend.subject.name,
        "path": trend.subject.path,
        "drive": trend.subject.drive or None,
        "since": format_time(grid.begins),
        "until": format_time(grid.until),
        "column_seconds": grid.step,
        "charts": [_chart_json(chart) for chart in trend.charts],
        "series": [_series_json(part) for part in trend.series],
    }


def box_as_json(worse: Sequence[Worse], grid: Grid) -> dict[str, Any]:
    """Give the whole box's trend as a JSON object: every position with the charts of what got worse."""
    return {
        "schema": SCHEMA,
        "since": format_time(grid.begins),
        "until": format_time(grid.until),
        "column_seconds": grid.step,
        "subjects": [
            {"subject": subject.name, "path": subject.path, "drive": subject.drive or None,
             "worse": [_chart_json(chart) for chart in charts]}
            for subject, charts in worse
        ],
    }  # fmt: skip


def _chart_json(chart: Chart) -> dict[str, Any]:
    return {
        "about": chart.section or None,
        "end": chart.end or None,
        "name": chart.name,
        "unit": str(chart.form) or None,
        "counter": chart.is_counter,
        "last": chart.last,
        "low": chart.low,
        "high": chart.high,
        "gained": chart.gained if chart.is_counter else None,
        "columns": [
            None
            if column is None
            else {"gained": column.gained}
            if chart.is_counter
            else {"low": column.low, "high": column.high}
            for column in chart.columns
        ],
    }


_POINT = ("began_at", "ended_at", "low", "high", "last")


def _series_json(series: Series) -> dict[str, Any]:
    return {
        "path": series.path,
        "drive": series.drive or None,
        "end": series.end or None,
        "name": series.name,
        "counter": series.is_counter,
        "boot_id": series.boot_id,
        "known_until": series.known_until,
        "points": [{name: getattr(point, name) for name in _POINT} for point in series.points],
    }
