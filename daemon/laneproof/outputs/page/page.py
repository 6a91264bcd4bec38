"""The page: one document that says what the box is and what is wrong with it. A pure function of what was published.

It needs no script and nothing from elsewhere; the service serves its style sheet and its small script, which reads
it again while it is open. Words carry every meaning, colour repeats it.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from laneproof.declaration.build import Build
from laneproof.findings import Finding, FindingChange, order_findings, verdict
from laneproof.outputs.audit_json import count_findings, name_box
from laneproof.outputs.markup import Markup, document, join, tag
from laneproof.outputs.page.box import (
    write_arrays,
    write_declaration,
    write_machine,
    write_network,
    write_overdue,
)
from laneproof.outputs.page.drives import write_drives
from laneproof.outputs.page.findings import write_findings
from laneproof.outputs.page.recent import write_recent
from laneproof.outputs.page.tree import write_tree
from laneproof.outputs.page.words import Anchors, count_words, draw_mark, draw_strands, show_time
from laneproof_collectors.snapshot import Snapshot

STYLE, SCRIPT, ICON = "/style.css", "/page.js", "/icon.svg"
"""Where the page expects what belongs to it."""

_COUNTED = (
    ("differs", "difference", "differences"),
    ("sign", "sign of failure", "signs of failure"),
    ("unverified", "thing unverified", "things unverified"),
    ("accepted", "difference accepted", "differences accepted"),
)
_SAID = {
    "holds": "holds",
    "differs": "is not as it should be",
    "unverified": "could not be verified",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class PageFacts:
    """What the page is made of.

    Attributes:
        build: The declaration in force, None where there is none.
        problem: Why the newest declaration is not in force, None where it is.
        snapshot: The facts of the last pass, None before the first.
        findings: What stands.
        overdue: Collectors that stay away, with the seconds.
        recent: The latest changes of findings, the newest first.
        version: The program's own.
    """

    build: Build | None
    problem: str | None
    snapshot: Snapshot | None
    findings: Sequence[Finding]
    overdue: Mapping[str, float] = field(default_factory=dict)
    recent: Sequence[FindingChange] = ()
    version: str = ""


def write_page(facts: PageFacts) -> str:
    """Write the whole document."""
    snapshot = facts.snapshot
    if snapshot is None:
        parts = [tag("p", "The first pass over the machine is not complete yet.", class_="wait")]
        title = "laneproof: first pass"
        parts += filter(None, (write_declaration(facts.build, facts.problem), write_overdue(facts.overdue)))
        return _wrap(title, tag("h1", "laneproof"), join(parts), facts.version)
    said = verdict(facts.findings)
    name = name_box(facts.build, snapshot)
    ordered = order_findings(facts.findings)
    anchors = Anchors(ordered)
    body = join((
        write_declaration(facts.build, facts.problem),
        write_overdue(facts.overdue),
        write_findings(ordered, anchors),
        write_tree(facts.build, snapshot, ordered, anchors),
        write_drives(facts.build, snapshot),
        write_arrays(snapshot),
        *write_network(snapshot),
        write_recent(facts.recent),
        write_machine(snapshot),
    ))  # fmt: skip
    return _wrap(f"{name} {_SAID[said]}", _headline(name, said, facts, snapshot), body, facts.version)


def draw_icon(findings: Sequence[Finding] | None) -> str:
    """Draw the page's icon: the verdict's mark, in colours that show on any tab.

    Args:
        findings: What stands, None before the first pass.
    """
    said = "unverified" if findings is None else verdict(findings)
    colour = {"holds": "#2b7a4b", "differs": "#c4372e", "unverified": "#b07a10"}[said]
    fill = colour if said == "holds" else "none"
    strands = tag("g", *draw_strands(said), fill=fill, stroke=colour, stroke_width=2.5, stroke_linecap="round")
    return tag("svg", strands, xmlns="http://www.w3.org/2000/svg", viewBox="0 0 20 20")


def _headline(name: str, said: str, facts: PageFacts, snapshot: Snapshot) -> Markup:
    counts = count_findings(facts.findings)
    counted = [count_words(counts[key], singular, plural) for key, singular, plural in _COUNTED if counts[key]]
    if said == "holds" and not counted:
        counted = ["all is as declared, and no sign of failure was seen" if facts.build else "no fault seen"]
    return join((
        tag("h1", draw_mark(said), tag("span", name, class_="box"), " ", tag("span", _SAID[said]), class_=said),
        tag("p", ", ".join(counted) + ".", class_="counts", role="status"),
        tag("p", "Read at ", show_time(snapshot.taken_at), ". ", tag("a", "Refresh", href="/"), class_="soft"),
    ))  # fmt: skip


def _wrap(title: str, headline: Markup, body: Markup, version: str) -> str:
    head = tag(
        "head",
        tag("meta", charset="utf-8"),
        tag("meta", name="viewport", content="width=device-width, initial-scale=1"),
        tag("meta", name="color-scheme", content="light dark"),
        tag("title", title),
        tag("link", rel="icon", type="image/svg+xml", href=ICON),
        tag("link", rel="stylesheet", href=STYLE),
        tag("script", "", src=SCRIPT, defer=True),
    )
    foot = tag(
        "footer",
        tag("p", "laneproof ", version, " reads and never writes. ",
            tag("a", "The same as JSON", href="/api/v1/audit"), ", ", tag("a", "as metrics", href="/metrics"), "."),
        tag("p", "Before opening the case: shut the box down, take it off the mains, lose static electricity, let hot "
            "parts cool. The makers' manuals and local codes come first."),
    )  # fmt: skip
    main = tag("main", body, id="main")
    page = tag("body", tag("a", "To the findings", href="#main", class_="skip"), tag("header", headline), main, foot)
    return document(tag("html", head, page, lang="en"))
