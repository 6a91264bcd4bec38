"""Writes two dashboards for Grafana, one box and many, from the table of metrics.

    python packaging/dashboards.py FOLDER

In an expression, ``@name`` stands for the metric of that name in the table, with what narrows it to the box that is
shown. What a panel is about is said in the table's words, below its title.
"""

import json
import re
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from laneproof.outputs.metric_table import BY_NAME

WIDTH = 24  # columns that Grafana has
SOURCE = {"type": "prometheus", "uid": "${source}"}
GOOD, BAD = "green", "red"


@dataclass(frozen=True, slots=True)
class Panel:
    """One panel, or a heading where it asks nothing.

    Attributes:
        title: What it shows.
        expression: What it asks.
        legend: The name of each series.
        kind: Grafana's word for how it is drawn.
        unit: Grafana's word for the unit.
        columns: Its width.
        worse_from: From which value on it is drawn as bad; None where no value is bad by itself.
        worse_below: Below which value it is drawn as bad.
        at_once: Whether only the latest values count.
        table: How the columns of a table are made.
    """

    title: str
    expression: str = ""
    legend: str = ""
    kind: str = "timeseries"
    unit: str = "none"
    columns: int = 12
    worse_from: float | None = None
    worse_below: float | None = None
    at_once: bool = False
    table: tuple[dict[str, Any], ...] = ()


def _number(title: str, expression: str, *, unit: str = "none", worse_from: float | None = None) -> Panel:
    """Make one of the latest value alone: of a box that fell silent it shows nothing, and not what was fine before."""
    return Panel(title, expression, kind="stat", unit=unit, columns=4, worse_from=worse_from, at_once=True)


def _count(title: str, expression: str, *, among: str) -> Panel:
    """Count what is bad: 0 only where there is something that could be."""
    return _number(title, f"count({expression}) or 0 * count({among})", worse_from=1)


def _bars(title: str, expression: str, legend: str, *, unit: str = "none", columns: int = 12) -> Panel:
    return Panel(title, expression, legend, kind="bargauge", unit=unit, columns=columns, at_once=True)


def _columns(*shown: str) -> dict[str, Any]:
    return {"id": "filterFieldsByName", "options": {"include": {"names": list(shown)}}}


_NAMED = "* on (job, instance) group_left (box) @box"
_RECEIVER = 'error=~"RxErr|BadTLP|BadDLLP"'
_ERRORS_A_BIT = (
    f"max by (job, instance, position) (rate(@link_correctable_errors{{{_RECEIVER}}}[1d]))"
    " / (@link_trained_transfers_per_second * @link_trained_lanes)"
)
"""A link carries its rate times its lanes in bits a second, each way; an error that sets two counters is one."""
_BELOW_LIMIT = (
    "(@nvme_warning_temperature_celsius - @nvme_composite_temperature_celsius)"
    " or (@drive_recommended_temperature_celsius - @drive_temperature_celsius)"
)
_DRIFTED = f"laneproof:declaration_pushed and on (box) @box unless on (box, checksum) (@declaration {_NAMED})"

BOX = (
    Panel("Does all hold?"),
    _number("Differs from the declaration", 'sum(@findings{kind="differs"})', worse_from=1),
    _number("Signs of failure", 'sum(@findings{kind="sign"})', worse_from=1),
    _number("Could not be verified", 'sum(@findings{kind="unverified"})', worse_from=1),
    _number("Time since the last judged pass", "time() - @snapshot_timestamp_seconds", unit="s", worse_from=300),
    _count("Newest declaration not in force", "@declaration_in_force == 0", among="@declaration_in_force"),
    _count("Readings that hang", "@reading_overdue_seconds > 0", among="@reading_overdue_seconds"),
    Panel(
        "What stands, and the next step",
        "@finding * on (job, instance, rule, position) group_left (declared, observed, next) @finding_values",
        kind="table",
        columns=24,
        at_once=True,
        table=(_columns("severity", "position", "rule", "declared", "observed", "next"),),
    ),
    Panel("What changed"),
    Panel(
        "What stood when",
        "max by (position, rule) (@finding)",
        "{{position}} {{rule}}",
        kind="state-timeline",
        worse_from=1,
    ),
    Panel(
        "Findings raised, changed and cleared within an hour",
        "sum by (change) (increase(@finding_changes[1h]))",
        "{{change}}",
    ),
    Panel("Episodes: drives that dropped off the bus, since the service began", "@drops", "{{position}}"),
    Panel("Power lost without notice", "@nvme_unsafe_shutdowns", "{{position}}"),
    Panel("Links"),
    _bars(
        "Share of the declared rate and lanes that each link trained with",
        "(@link_trained_transfers_per_second * @link_trained_lanes)"
        " / (@link_declared_transfers_per_second * @link_declared_lanes)",
        "{{position}}",
        unit="percentunit",
    ),
    Panel("Receiver errors a bit, over a day", _ERRORS_A_BIT, "{{position}}", unit="sci"),
    Panel(
        "Correctable errors within an hour",
        "sum by (position) (increase(@link_correctable_errors[1h]))",
        "{{position}}",
    ),
    Panel(
        "Uncorrectable errors within a day",
        "sum by (position) (increase(@link_uncorrectable_errors[1d]))",
        "{{position}}",
    ),
    Panel("Drives"),
    Panel("Degrees below the drive's own limit", _BELOW_LIMIT, "{{position}}", unit="celsius", worse_below=0),
    Panel(
        "Temperature",
        "@nvme_composite_temperature_celsius or @drive_temperature_celsius",
        "{{position}}",
        unit="celsius",
    ),
    _bars("Rated life used", "@nvme_percentage_used_ratio", "{{position}}", unit="percentunit", columns=8),
    _bars(
        "Spare left above the drive's threshold",
        "@nvme_available_spare_ratio - @nvme_available_spare_threshold_ratio",
        "{{position}}",
        unit="percentunit",
        columns=8,
    ),
    _bars("Media errors", "@nvme_media_errors", "{{position}}", columns=8),
    Panel("Written within a day", "increase(@nvme_data_written_bytes[1d])", "{{position}}", unit="bytes"),
    Panel("Members that each array is missing", "@array_degraded_members", "{{array}}", worse_from=1),
    Panel("What the watch costs"),
    Panel(
        "Processor time",
        'rate(process_cpu_seconds_total{instance="$instance"}[10m])',
        "cores",
        unit="percentunit",
        columns=8,
    ),
    Panel("Memory", 'process_resident_memory_bytes{instance="$instance"}', "resident", unit="bytes", columns=8),
    Panel("How long each reading takes", "@reading_seconds", "{{reading}}", unit="s", columns=8),
)
"""What its owner asks of one box."""

FLEET = (
    Panel("Which boxes need somebody?"),
    _number("Boxes", "count(@box)"),
    _count("Boxes with an alarm", 'max by (job, instance) (@finding{severity!="notice"})', among="@box"),
    _count("Boxes that do not answer", 'up{job="laneproof"} == 0', among='up{job="laneproof"}'),
    _number("Oldest judged pass", "max(time() - @snapshot_timestamp_seconds)", unit="s", worse_from=300),
    _count("Declarations not in force as pushed", _DRIFTED, among="laneproof:declaration_pushed"),
    _number("Drives", "count(@nvme or @drive)"),
    Panel(
        "Findings of each box",
        f"sum by (box, kind) (@findings {_NAMED})",
        kind="table",
        at_once=True,
        table=(
            {"id": "groupingToMatrix", "options": {"columnField": "kind", "rowField": "box", "valueField": "Value"}},
        ),
    ),
    _bars("Boxes by what was found", "count by (rule) (max by (job, instance, rule) (@finding))", "{{rule}}"),
    Panel("What do they share?"),
    Panel(
        "Boxes with a sign, by model and firmware",
        "count by (model, firmware, rule) (laneproof:model_signs)",
        kind="table",
        at_once=True,
        table=(_columns("model", "firmware", "rule", "Value"),),
    ),
    _bars("Boxes by version of laneproof", "count by (version) (@box)", "{{version}}", columns=6),
    _bars("Boxes by kernel", "count by (kernel) (@box)", "{{kernel}}", columns=6),
    Panel("The ten that are nearest to trouble"),
    _bars(
        "Most receiver errors a bit, over a day",
        f"topk(10, ({_ERRORS_A_BIT}) {_NAMED})",
        "{{box}} {{position}}",
        unit="sci",
    ),
    _bars(
        "Fewest degrees below the drive's own limit",
        f"bottomk(10, ({_BELOW_LIMIT}) {_NAMED})",
        "{{box}} {{position}}",
        unit="celsius",
    ),
    _bars(
        "Most of the rated life used",
        f"topk(10, @nvme_percentage_used_ratio {_NAMED})",
        "{{box}} {{position}}",
        unit="percentunit",
    ),
    _bars("Most episodes since the service began", f"topk(10, @drops {_NAMED})", "{{box}} {{position}}"),
    Panel("What the watch costs"),
    Panel("Time that a scrape takes", f'scrape_duration_seconds{{job="laneproof"}} {_NAMED}', "{{box}}", unit="s"),
    Panel(
        "Memory of the service", f'process_resident_memory_bytes{{job="laneproof"}} {_NAMED}', "{{box}}", unit="bytes"
    ),
)
"""What one asks of many boxes."""


def expand(expression: str, selector: str) -> str:
    """Put the metrics' full names into an expression, each narrowed by a selector, such as ``instance="kelp-1:1"``."""

    def name(match: re.Match[str]) -> str:
        narrowed = ",".join(filter(None, (selector, match[2])))
        return BY_NAME[match[1]].full_name + (f"{{{narrowed}}}" if narrowed else "")

    return re.sub(r"@(\w+)(?:\{([^}]*)\})?", name, expression)


def _describe(panel: Panel) -> str:
    used = dict.fromkeys(re.findall(r"@(\w+)", panel.expression))
    return "\n\n".join(f"{BY_NAME[name].full_name}: {BY_NAME[name].says}" for name in used if name != "box")


def _draw(panel: Panel, selector: str) -> dict[str, Any]:
    steps: list[dict[str, Any]] = [{"value": None, "color": BAD if panel.worse_below is not None else GOOD}]
    if panel.worse_below is not None:
        steps.append({"value": panel.worse_below, "color": GOOD})
    if panel.worse_from is not None:
        steps.append({"value": panel.worse_from, "color": BAD})
    defaults: dict[str, Any] = {"unit": panel.unit, "thresholds": {"mode": "absolute", "steps": steps}}
    if panel.kind in {"stat", "state-timeline"}:
        defaults["color"] = {"mode": "thresholds"}
    target = {
        "refId": "A",
        "datasource": SOURCE,
        "expr": expand(panel.expression, selector),
        "legendFormat": panel.legend or "__auto",
        "instant": panel.at_once,
        "range": not panel.at_once,
        "format": "table" if panel.kind == "table" else "time_series",
    }
    return {
        "type": panel.kind,
        "title": panel.title,
        "description": _describe(panel),
        "datasource": SOURCE,
        "targets": [target],
        "fieldConfig": {"defaults": defaults, "overrides": []},
        "options": {"orientation": "horizontal"} if panel.kind == "bargauge" else {},
        "transformations": list(panel.table),
    }


def _lay_out(panels: tuple[Panel, ...], selector: str) -> Iterator[dict[str, Any]]:
    x = y = height = 0
    for number, panel in enumerate(panels, start=1):
        columns = panel.columns if panel.expression else WIDTH
        if x + columns > WIDTH:
            x, y = 0, y + height
        height = (4 if panel.kind == "stat" else 8) if panel.expression else 1  # that of its neighbours too
        drawn = _draw(panel, selector) if panel.expression else {"type": "row", "title": panel.title, "panels": []}
        yield {"id": number, **drawn, "gridPos": {"x": x, "y": y, "w": columns, "h": height}}
        x += columns


def _choice(name: str, query: str, *, hidden: bool = False) -> dict[str, Any]:
    return {
        "type": "query",
        "name": name,
        "datasource": SOURCE,
        "query": expand(query, ""),
        "refresh": 2,  # whenever the time range changes
        "hide": 2 if hidden else 0,
    }


def write_dashboard(name: str) -> dict[str, Any]:
    """Write the dashboard of one box or of the fleet, as Grafana imports it."""
    is_box = name == "box"
    choices = [{"type": "datasource", "name": "source", "label": "Prometheus", "query": "prometheus"}]
    if is_box:
        choices += [
            _choice("box", "label_values(@box, box)"),
            _choice("instance", 'label_values(@box{box="$box"}, instance)', hidden=True),
        ]
    return {
        "uid": f"laneproof-{name}",
        "title": "laneproof: one box" if is_box else "laneproof: all boxes",
        "schemaVersion": 39,
        "tags": ["laneproof"],
        "links": [{"type": "dashboards", "title": "laneproof", "tags": ["laneproof"], "asDropdown": False}],
        "time": {"from": "now-1d" if is_box else "now-6h", "to": "now"},
        "refresh": "1m",
        "templating": {"list": choices},
        "panels": list(_lay_out(BOX if is_box else FLEET, 'instance="$instance"' if is_box else "")),
    }


def main() -> None:
    """Write both into the folder that is named."""
    folder = Path(sys.argv[1])
    folder.mkdir(parents=True, exist_ok=True)
    for name in ("box", "fleet"):
        text = json.dumps(write_dashboard(name), indent=1)
        (folder / f"laneproof-{name}.json").write_text(f"{text}\n", encoding="utf-8")


if __name__ == "__main__":
    main()
