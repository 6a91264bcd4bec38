"""What changed lately on the page: which findings came up, changed and cleared, the newest first."""

from collections.abc import Sequence

from laneproof.findings import Change, FindingChange
from laneproof.outputs.markup import Markup, tag
from laneproof.outputs.page.words import seal, seal_of, show_time

SHOWN = 12
"""How many are shown; /api/v1/changes has more."""
_WORDS = {Change.RAISED: "came up", Change.CHANGED: "changed", Change.CLEARED: "cleared"}


def write_lately(recent: Sequence[FindingChange]) -> Markup | None:
    """Write the latest changes; None where there was none.

    Args:
        recent: Changes, the newest first.
    """
    if not recent:
        return None
    rows = [tag("li", *_row(one)) for one in recent[:SHOWN]]
    return tag("section", tag("h2", "Lately", id="lately"), tag("ol", *rows, class_="lately"), aria_labelledby="lately")


def _row(change: FindingChange) -> tuple[Markup, ...]:
    finding = change.finding
    ring = seal("holds") if change.change is Change.CLEARED else seal_of(finding.kind)
    return (
        show_time(change.at),
        tag("span", ring, " ", _WORDS[change.change], class_="change"),
        tag("span", tag("b", finding.position or finding.subject), " ", finding.rule, class_="what"),
        tag("span", finding.summary, class_="soft"),
    )
