"""The recent changes on the page: which findings were raised, changed and cleared, the newest first."""

from collections import Counter
from collections.abc import Iterator, Sequence
from itertools import islice

from laneproof.findings import Change, FindingChange
from laneproof.outputs.cases import name_subject
from laneproof.outputs.events_text import REPEATS
from laneproof.outputs.markup import Markup, tag, write_section
from laneproof.outputs.page.words import draw_mark, mark_of, show_time

SHOWN = 12
"""How many are shown; /api/v1/changes has more."""


def write_recent(recent: Sequence[FindingChange]) -> Markup | None:
    """Write the recent changes, the newest first; None where there is none."""
    if not recent:
        return None
    rows = [tag("li", *_row(change, times)) for change, times in islice(_join_repeats(recent), SHOWN)]
    return write_section("Recent changes", tag("ol", *rows, class_="recent"))


def _join_repeats(recent: Sequence[FindingChange]) -> Iterator[tuple[FindingChange, int]]:
    """Give each change and how many it stands for: the newest stands for all of a finding that comes and goes."""
    counts = Counter(change.finding.identity for change in recent)
    seen: set[tuple[str, str]] = set()
    for change in recent:
        identity = change.finding.identity
        if counts[identity] < REPEATS:
            yield change, 1
        elif identity not in seen:
            seen.add(identity)
            yield change, counts[identity]


def _row(change: FindingChange, times: int) -> tuple[Markup, ...]:
    finding = change.finding
    mark = draw_mark("holds") if change.change is Change.CLEARED else mark_of(finding.kind)
    return (
        show_time(change.at),
        tag("span", mark, " ", str(change.change), f" ({times} changes)" if times > 1 else None, class_="change"),
        tag("span", tag("b", name_subject(finding)), " ", finding.rule, class_="what"),
        tag("span", finding.summary, class_="soft"),
    )
