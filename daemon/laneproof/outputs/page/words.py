"""What several parts of the page write alike: the marks of verdicts, times, counts, and the names of findings."""

import re
from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from urllib.parse import quote

from laneproof.findings import Finding, Kind, format_time, write_time
from laneproof.outputs.markup import Markup, tag

KIND_WORDS = {Kind.DIFFERS: "differs", Kind.SIGN: "sign of failure", Kind.UNVERIFIED: "unverified"}
_SIZE, _STRANDS = 20, (4, 10, 16)
_LEFT, _RIGHT = 1.5, 18.5
_UNITS = (("day", 86400.0), ("hour", 3600.0), ("minute", 60.0), ("second", 1.0))
_NOT_IN_NAMES = re.compile(r"[^A-Za-z0-9]+")


def draw_mark(verdict: str) -> Markup:
    """Draw the mark of a verdict, for beside its words."""
    return tag(
        "svg", *draw_strands(verdict), class_=f"mark {verdict}", viewBox=f"0 0 {_SIZE} {_SIZE}", width=_SIZE,
        height=_SIZE, aria_hidden="true",
    )  # fmt: skip


def draw_strands(verdict: str) -> Iterator[Markup]:
    """Draw three strands: tied by a knot (holds), one of them cut (differs), or dotted (unverified)."""
    first, second, third = (f"M{_LEFT} {y}H{_RIGHT}" for y in _STRANDS)
    if verdict == "differs":
        second = f"M{_LEFT} {_STRANDS[1]}H6l2.5 3M{_RIGHT} {_STRANDS[1]}H14l-2.5 -3"
    yield tag("path", d=first + second + third, stroke_dasharray="0.1 4.15" if verdict == "unverified" else None)
    if verdict == "holds":
        yield tag("rect", class_="knot", x=7.5, y=1.5, width=5, height=17, rx=2.5)


def mark_of(kind: Kind) -> Markup:
    """Draw the mark of one finding."""
    return draw_mark("unverified" if kind is Kind.UNVERIFIED else "differs")


def show_time(unix_seconds: float) -> Markup:
    """Write a time for people, to the minute, with the exact one for programs."""
    return tag("time", write_time(unix_seconds), datetime=format_time(unix_seconds))


def say_age(seconds: float) -> str:
    """Say how long ago something was, in its largest whole unit: ``3 minutes ago``."""
    unit, length = next((unit for unit in _UNITS if seconds >= unit[1]), _UNITS[-1])
    return f"{count_words(int(max(seconds, 0.0) // length), unit, f'{unit}s')} ago"


@dataclass(frozen=True, slots=True, kw_only=True)
class Links:
    """Where other pages are, as seen from this one. All are relative, so that they work below any path of a proxy.

    `positions` and `guides` stand before a position's name; None where positions have no pages (a report).
    """

    home: str = ""
    positions: str | None = None
    guides: str = ""

    def to_position(self, name: str, words: Markup | None = None) -> Markup:
        """Name a position by its label or path, or in other words, as a link where it has a page."""
        words = words or tag("b", name)
        return words if self.positions is None else tag("a", words, href=self.positions + quote(name, safe=""))

    def to_guide(self, name: str, words: str) -> Markup:
        """Link to the guide through replacing what is in a position."""
        return tag("a", words, href=self.guides + quote(name, safe=""))


FROM_HOME = Links(positions="positions/", guides="replace/")
FROM_BELOW = Links(home="../", positions="../positions/", guides="../replace/")
NO_LINKS = Links()


class Anchors:
    """The name of each finding on the page: the same from page to page, as long as the finding stands."""

    def __init__(self, findings: Iterable[Finding]) -> None:
        """Name all findings."""
        self._names: dict[int, str] = {}
        taken: Counter[str] = Counter()
        for finding in findings:
            name = "finding-" + _NOT_IN_NAMES.sub("-", "-".join(finding.identity))
            taken[name] += 1
            self._names[id(finding)] = name if taken[name] == 1 else f"{name}--{taken[name]}"

    def __getitem__(self, finding: Finding) -> str:
        """Give the name of a finding."""
        return self._names[id(finding)]


def count_words(count: int, singular: str, plural: str) -> str:
    """Write a count: ``1 sign``, ``2 signs``."""
    return f"{count} {singular if count == 1 else plural}"
