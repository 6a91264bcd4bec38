"""The report: one file for the shelf or a claim, with what stands, what was counted, and all that happened.

It needs nothing else: no script, no style sheet of its own, no picture beside it. A browser prints it.
"""

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from html import escape
from importlib import resources

from laneproof import __version__
from laneproof.declaration.build import Build
from laneproof.findings import Finding, order_findings, verdict
from laneproof.outputs.audit_json import name_box
from laneproof.outputs.box_picture import Mark, draw_box
from laneproof.outputs.events_text import Happening, join_repeats, join_runs
from laneproof.outputs.markup import Markup, document, tag
from laneproof.outputs.page.drives import write_drives
from laneproof.outputs.page.findings import write_findings
from laneproof.outputs.page.page import say_verdict
from laneproof.outputs.page.rest_of_box import write_machine
from laneproof.outputs.page.tables import write_table
from laneproof.outputs.page.words import Anchors, show_time
from laneproof.outputs.trend import Chart, Trend
from laneproof.outputs.trend_text import say_value
from laneproof_collectors.snapshot import Snapshot

_PRINTED = (
    "body{max-width:none}main{display:block!important}tr{break-inside:avoid}"
    ".evidence{grid-template-columns:repeat(auto-fill,minmax(18rem,1fr))}"
)
"""What the page's own style leaves to be said of paper: one column, and no row torn apart."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ReportFacts:
    """What the report is made of.

    `trends` is how the positions went that something stands of, by label; `happened` is oldest first, `since` unix
    seconds.
    """

    build: Build | None
    snapshot: Snapshot
    findings: Sequence[Finding]
    trends: Mapping[str, Trend]
    happened: Sequence[Happening]
    since: float
    watched: str


def write_report(facts: ReportFacts) -> str:
    """Write the whole document."""
    build, snapshot = facts.build, facts.snapshot
    said = f"{name_box(build, snapshot)} {say_verdict(verdict(facts.findings, declared=build is not None))}"
    ordered = order_findings(facts.findings)
    counters = [(label, chart) for label, trend in facts.trends.items() for chart in trend.charts if _tells(chart)]
    happened = join_repeats(join_runs(facts.happened))
    style = resources.files("laneproof.outputs.page").joinpath("page.css").read_text("utf-8")
    head = tag(
        "head",
        tag("meta", charset="utf-8"),
        tag("meta", name="viewport", content="width=device-width, initial-scale=1"),
        tag("title", f"{said}: report"),
        tag("style", Markup(style + _PRINTED)),  # the program's own file
    )
    body = tag(
        "body",
        tag(
            "header",
            tag("h1", said),
            tag("p", "From ", show_time(facts.since), " to ", show_time(snapshot.taken_at), ". ", facts.watched),
        ),
        tag(
            "main",
            write_findings(ordered, Anchors(ordered)),
            tag("section", tag("h2", "The box"), _draw(facts)),
            write_table("Figures at first, since and now", counters, _COUNTER_COLUMNS, _BEGIN_AGAIN)
            if counters
            else None,
            write_table("What happened", happened, _EVENT_COLUMNS) if happened else None,
            write_drives(build, snapshot),
            write_machine(snapshot),
        ),
        tag("footer", tag("p", f"laneproof {__version__} reads and never writes.")),
    )
    return document(tag("html", head, body, lang="en")).replace("<details", "<details open")  # paper unfolds nothing


def _draw(facts: ReportFacts) -> Markup:
    marks = {finding.path: Mark.HERE for finding in facts.findings if finding.path and finding.accepted is None}
    return Markup(draw_box(facts.build, facts.snapshot, marks))  # escapes by itself what devices call themselves


def _tells(chart: Chart) -> bool:
    return chart.is_shown and bool(chart.read) and chart.last is not None and chart.section != "events"


_COUNTER_COLUMNS = (
    ("position", lambda row: row[0]),
    ("what", lambda row: " ".join(filter(None, (row[1].words, row[1].end and f"({row[1].end})")))),
    ("at first", lambda row: "" if row[1].is_counter else say_value(row[1].read[0].low, row[1].form)),
    ("counted since", lambda row: say_value(row[1].gained, row[1].form) if row[1].is_counter else ""),
    ("now", lambda row: say_value(row[1].last, row[1].form)),
)
_BEGIN_AGAIN = tag(
    "p", "A count of the kernel's begins again when it finds the device again; 'counted since' is all of them together."
)
_EVENT_COLUMNS = (
    ("when", lambda event: show_time(event.t)),
    ("where", lambda event: event.position or event.device or event.path or "the box"),
    ("what", lambda event: event.kind.replace("_", " ") + (f", {event.count} times" if event.count > 1 else "")),
    ("in words", lambda event: event.text),
)


def hide_serials(text: str, serials: Iterable[str]) -> str:
    """Replace each serial number by a number, the same everywhere."""
    names = sorted({escape(serial) for serial in serials if serial}, key=lambda name: (-len(name), name))
    numbers = {name: f"number-{number}" for number, name in enumerate(names, start=1)}
    whole = "|".join(re.escape(name) for name in names)
    return re.sub(rf"(?<!\w)(?:{whole})(?!\w)", lambda match: numbers[match[0]], text) if names else text
