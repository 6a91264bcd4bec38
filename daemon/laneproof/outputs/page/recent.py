"""The recent changes on the page: which findings were raised, changed and cleared, the newest first."""

from collections.abc import Sequence

from laneproof.findings import Change, FindingChange
from laneproof.outputs.cases import name_subject
from laneproof.outputs.markup import Markup, tag
from laneproof.outputs.page.words import draw_mark, mark_of, show_time

SHOWN = 12
"""How many are shown; /api/v1/changes has more."""


def write_recent(recent: Sequence[FindingChange]) -> Markup | None:
    """Write the recent changes; None where there is none.

    Args:
        recent: Changes, the newest first.
    """
    if not recent:
        return None
    rows = [tag("li", *_row(change)) for change in recent[:SHOWN]]
    heading = tag("h2", "Recent changes", id="recent")
    return tag("section", heading, tag("ol", *rows, class_="recent"), aria_labelledby="recent")


def _row(change: FindingChange) -> tuple[Markup, ...]:
    finding = change.finding
    mark = draw_mark("holds") if change.change is Change.CLEARED else mark_of(finding.kind)
    return (
        show_time(change.at),
        tag("span", mark, " ", str(change.change), class_="change"),
        tag("span", tag("b", name_subject(finding)), " ", finding.rule, class_="what"),
        tag("span", finding.summary, class_="soft"),
    )
