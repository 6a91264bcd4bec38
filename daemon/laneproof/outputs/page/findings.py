"""The findings on the page, a card for each case: what, both values, why as far as it is known, what to do next."""

import contextlib
import re
from collections.abc import Iterator, Sequence
from datetime import datetime

from laneproof.advice import OPEN_CASE
from laneproof.diagnosis.weights import say_cause
from laneproof.findings import Cause, Finding
from laneproof.outputs.cases import ShownCase, group_cases
from laneproof.outputs.markup import Markup, join, tag, write_section
from laneproof.outputs.page.words import KIND_WORDS, NO_LINKS, Anchors, Links, count_words, mark_of, show_time
from laneproof.outputs.steps_and_cautions import CAUTION_HEADING, list_cautions, list_steps

_LIKELY, _ONE_PERCENT = 0.05, 0.01
"""From here on a cause is worth a line of its own; below the second it is not worth a figure."""
_REASONS = 3
"""How many reasons of a cause are shown at once; the rules put the weightiest first."""

_TIME = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\dZ", re.ASCII)
"""A time as the evidence holds it, for programs."""


def write_findings(ordered: Sequence[Finding], anchors: Anchors, links: Links = NO_LINKS) -> Markup:
    """Write all cases, the most severe first, then the cautions, then what the owner accepted."""
    standing = [finding for finding in ordered if finding.accepted is None]
    accepted = [finding for finding in ordered if finding.accepted is not None]
    parts: list[Markup | None] = []
    if standing:
        parts += [_section("Findings", standing, anchors, links), _write_cautions(standing)]
    if accepted:
        parts.append(_section("Accepted for now", accepted, anchors, links))
    return tag("div", *parts, class_="found")


def _section(heading: str, findings: Sequence[Finding], anchors: Anchors, links: Links) -> Markup:
    items = [tag("li", _write_case(case, anchors, links)) for case in group_cases(findings)]
    return write_section(heading, tag("ol", *items, class_="cases"))


def _write_cautions(findings: Sequence[Finding]) -> Markup | None:
    """Write what to mind before any of the steps, each once."""
    cautions = list_cautions(findings)
    if not cautions:
        return None
    items = [tag("li", caution) for caution in cautions]
    return write_section(CAUTION_HEADING, tag("ul", *items), name="cautions")


def write_open_case(findings: Sequence[Finding]) -> Markup | None:
    """Write the caution about opening the case for the foot; None where the findings' own cautions have it."""
    has_it = OPEN_CASE in list_cautions(finding for finding in findings if finding.accepted is None)
    return None if has_it else tag("p", OPEN_CASE)


def _write_case(case: ShownCase, anchors: Anchors, links: Links) -> Markup:
    first = case.findings[0]
    steps = list_steps(*case.findings)
    return tag(
        "article",
        tag("h3", mark_of(case.kind), links.to_position(first.position) if first.position else case.about),
        *(_write_finding(finding, anchors) for finding in case.findings),
        _causes(case.causes),
        tag("p", tag("b", "Next: "), steps[0], class_="next") if steps else None,
        _more(case, steps[1:]),
        id=f"case-{anchors[first]}",
        class_=f"case {first.severity}{' accepted' if first.accepted else ''}",
    )


def _write_finding(finding: Finding, anchors: Anchors) -> Markup:
    since = join((" since ", show_time(finding.since))) if finding.since is not None else None
    accepted = f" Accepted: {finding.accepted}" if finding.accepted else None
    kind = tag("span", f"{KIND_WORDS[finding.kind]}, {finding.severity}", since, class_="kind")
    return tag(
        "div",
        tag("p", tag("span", finding.rule, class_="rule"), " ", kind),
        tag("p", finding.summary, accepted),
        _values(finding),
        id=anchors[finding],
        class_="finding",
    )


def _values(finding: Finding) -> Markup | None:
    """Show both values side by side, where both are said."""
    if finding.declared is None or finding.observed is None:
        return None
    pairs = (("declared", finding.declared), ("observed", finding.observed))
    return tag("dl", *(tag("div", tag("dt", name), tag("dd", value)) for name, value in pairs), class_="values")


def _causes(causes: Sequence[Cause]) -> Markup | None:
    """Show the likeliest cause with its reasons, others that are likely enough beside it, and fold away the rest."""
    if not causes:
        return None
    first, *others = causes
    likely = [cause for cause in others if cause.probability >= _LIKELY]
    rest = [cause for cause in others if cause.probability < _LIKELY]
    items = [tag("li", *_cause(cause, with_reasons=cause is first)) for cause in (first, *likely)]
    shown = tag("ol", *items, class_="causes")
    folded = None
    if rest:
        rows = tag("ol", *(tag("li", *_cause(cause, with_reasons=True)) for cause in rest), class_="causes")
        words = count_words(len(rest), "less likely cause", "less likely causes")
        folded = tag("details", tag("summary", words), rows, class_="unlikely")
    return tag("div", tag("h4", "Likely cause"), shown, folded)


def _cause(cause: Cause, *, with_reasons: bool) -> Iterator[Markup]:
    filled = round(100 * min(max(cause.probability, 0.0), 1.0), 1)
    bar = tag(
        "svg",
        tag("line", class_="rail", x1=0, x2=100, y1=4, y2=4),
        tag("line", class_="filled", x1=0, x2=filled, y1=4, y2=4) if filled else None,
        viewBox="0 0 100 8", width=100, height=8, aria_hidden="true",
    )  # fmt: skip
    yield tag("span", say_cause(cause.cause), class_="cause")
    yield bar
    yield tag("span", "below 1%" if cause.probability < _ONE_PERCENT else f"{cause.probability:.0%}", class_="figure")
    if with_reasons and cause.because:
        yield tag("span", "; ".join(cause.because[:_REASONS]), class_="because")
    if with_reasons and (more := cause.because[_REASONS:]):
        words = count_words(len(more), "more reason", "more reasons")
        yield tag("details", tag("summary", words), tag("ul", *(tag("li", reason) for reason in more)))


def _more(case: ShownCase, further: Sequence[str]) -> Markup | None:
    """Fold away what is needed only by who works on it: the further steps and the figures."""
    parts: list[Markup] = []
    if further:
        steps = tag("ol", *(tag("li", step) for step in further), start=2)
        parts.append(tag("details", tag("summary", "Further steps"), steps))
    figures = [part for finding in case.findings for part in _evidence(finding, is_named=len(case.findings) > 1)]
    if figures:
        parts.append(tag("details", tag("summary", "Evidence"), *figures))
    return tag("div", *parts, class_="folded") if parts else None


def _evidence(finding: Finding, *, is_named: bool) -> Iterator[Markup]:
    figures = [(key, value) for key, value in finding.evidence.items() if isinstance(value, str | int | float)]
    if figures:
        rows = [tag("div", tag("dt", key.replace("_", " ")), tag("dd", _figure(key, value))) for key, value in figures]
        if is_named:
            yield tag("p", finding.rule, class_="rule")
        yield tag("dl", *rows, class_="evidence")


def _figure(key: str, value: str | float) -> str | Markup:
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, int | float) and key.endswith("_at"):
        return show_time(value)
    if isinstance(value, str) and _TIME.fullmatch(value):
        with contextlib.suppress(ValueError):  # a device's text may look like a time
            return show_time(datetime.fromisoformat(value).timestamp())
    return f"{value:.4g}" if isinstance(value, float) else str(value)
