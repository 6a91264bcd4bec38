"""The findings on the page: what, both values, why as far as it is known, what to do next."""

from collections.abc import Iterator, Sequence

from laneproof.findings import Cause, Finding
from laneproof.outputs.markup import Markup, join, tag
from laneproof.outputs.page.words import KIND_WORDS, anchor, count_words, seal_of, show_time

_LIKELY, _ONE_PERCENT = 0.05, 0.01
"""From here on a cause is worth a line of its own; below the second it is not worth a figure."""
_REASONS = 3
"""How many reasons of a cause are told at once; the rules put the weightiest first."""


def write_findings(ordered: Sequence[Finding]) -> Markup:
    """Write all findings in their order, what the owner accepted at the end.

    Args:
        ordered: The findings, sorted for reading.
    """
    standing = [one for one in ordered if one.accepted is None]
    accepted = [one for one in ordered if one.accepted is not None]
    parts: list[Markup] = []
    if standing:
        parts.append(_section("Findings", standing, ordered))
    if accepted:
        parts.append(_section("Accepted for now", accepted, ordered))
    return tag("div", *parts, class_="found")


def _section(heading: str, findings: Sequence[Finding], ordered: Sequence[Finding]) -> Markup:
    name = heading.split(maxsplit=1)[0].lower()
    items = [tag("li", _write_one(one, anchor(ordered, one))) for one in findings]
    return tag("section", tag("h2", heading, id=name), tag("ol", *items, class_="findings"), aria_labelledby=name)


def _write_one(finding: Finding, place: str) -> Markup:
    about = finding.position or finding.subject
    head = tag(
        "h3",
        seal_of(finding.kind),
        tag("span", about, class_="about"),
        " ",
        tag("span", finding.rule, class_="rule"),
    )
    kind = f"{KIND_WORDS[finding.kind]}, {finding.severity}"
    since = join((" since ", show_time(finding.since))) if finding.since is not None else None
    accepted = f" Accepted: {finding.accepted}" if finding.accepted else None
    return tag(
        "article",
        head,
        tag("p", kind, since, class_="kind"),
        tag("p", finding.summary, accepted, class_="summary"),
        _values(finding),
        _causes(finding.causes),
        *_steps(finding.next_steps),
        _more(finding),
        id=place,
        class_=f"finding {finding.severity}{' accepted' if finding.accepted else ''}",
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
    likely = [one for one in others if one.probability >= _LIKELY]
    rest = [one for one in others if one.probability < _LIKELY]
    shown = tag("ol", *(tag("li", *_cause(one, tell=one is first)) for one in (first, *likely)), class_="causes")
    folded = None
    if rest:
        rows = tag("ol", *(tag("li", *_cause(one, tell=True)) for one in rest), class_="causes")
        words = count_words(len(rest), "less likely cause", "less likely causes")
        folded = tag("details", tag("summary", words), rows, class_="unlikely")
    return tag("div", tag("h4", "Likely cause"), shown, folded)


def _cause(cause: Cause, *, tell: bool) -> Iterator[Markup]:
    filled = round(100 * min(max(cause.probability, 0.0), 1.0), 1)
    bar = tag(
        "svg",
        tag("line", class_="rail", x1=0, x2=100, y1=4, y2=4),
        tag("line", class_="filled", x1=0, x2=filled, y1=4, y2=4) if filled else None,
        class_="share", viewBox="0 0 100 8", width=100, height=8, aria_hidden="true",
    )  # fmt: skip
    yield tag("span", cause.cause, class_="cause")
    yield bar
    yield tag("span", "below 1%" if cause.probability < _ONE_PERCENT else f"{cause.probability:.0%}", class_="figure")
    if tell and cause.because:
        yield tag("span", "; ".join(cause.because[:_REASONS]), class_="because")
    if tell and (more := cause.because[_REASONS:]):
        words = count_words(len(more), "more reason", "more reasons")
        yield tag("details", tag("summary", words), tag("ul", *(tag("li", one) for one in more)))


def _steps(steps: Sequence[str]) -> Iterator[Markup]:
    if steps:
        yield tag("p", tag("b", "Next: "), steps[0], class_="next")


def _more(finding: Finding) -> Markup | None:
    """Fold away what is needed only by who works on it: the further steps and the figures."""
    parts: list[Markup] = []
    if further := finding.next_steps[1:]:
        steps = tag("ol", *(tag("li", step) for step in further), start=2)
        parts.append(tag("details", tag("summary", "Then"), steps))
    figures = [(key, value) for key, value in finding.evidence.items() if isinstance(value, str | int | float)]
    if figures:
        rows = [tag("div", tag("dt", key.replace("_", " ")), tag("dd", _figure(key, value))) for key, value in figures]
        parts.append(tag("details", tag("summary", "Evidence"), tag("dl", *rows, class_="evidence")))
    return tag("div", *parts, class_="folded") if parts else None


def _figure(key: str, value: str | float) -> str | Markup:
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, int | float) and key.endswith("_at"):
        return show_time(value)
    return f"{value:.4g}" if isinstance(value, float) else str(value)
