"""The page: one document that says what the box is and what is wrong with it. A pure function of what was published.

It needs no script and nothing from elsewhere; the service serves its style sheet and its small script, which reads
it again while it is open. Words carry every meaning, colour repeats it. Its links are relative, so that it works below
any path of a proxy that ends in a slash.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from laneproof.declaration.build import Build
from laneproof.findings import Finding, FindingChange, order_findings, verdict
from laneproof.outputs.audit_json import count_findings, name_box
from laneproof.outputs.markup import Markup, join, tag
from laneproof.outputs.page.drives import write_drives
from laneproof.outputs.page.findings import write_findings, write_open_case
from laneproof.outputs.page.position_tree import TreeNotes, write_tree
from laneproof.outputs.page.recent_changes import write_recent
from laneproof.outputs.page.rest_of_box import (
    write_arrays,
    write_declaration,
    write_machine,
    write_network,
    write_overdue,
)
from laneproof.outputs.page.shell import write_age, write_document
from laneproof.outputs.page.words import FROM_HOME, Anchors, count_words, draw_mark, draw_strands
from laneproof.proof.last_proven import LastRun
from laneproof_collectors.snapshot import Snapshot

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
_UNDECLARED = "nothing is declared; no fault was seen in what needs no declaration"


@dataclass(frozen=True, slots=True, kw_only=True)
class PageFacts:
    """What the page is made of.

    `snapshot` is None before the first pass, `problem` why the newest declaration is not in force, `overdue` the
    seconds of readings that stay away, by group, `recent` the latest changes, the newest first.
    """

    build: Build | None
    problem: str | None
    snapshot: Snapshot | None
    findings: Sequence[Finding]
    overdue: Mapping[str, float] = field(default_factory=dict)
    recent: Sequence[FindingChange] = ()
    age_seconds: float | None = None
    proven: LastRun | None = None


def write_page(facts: PageFacts) -> str:
    """Write the whole document."""
    snapshot = facts.snapshot
    if snapshot is None:
        parts = [tag("p", "The first pass over the machine is not complete yet.")]
        title = "laneproof: first pass"
        parts += filter(None, (write_declaration(facts.build, facts.problem), write_overdue(facts.overdue)))
        return _wrap(title, tag("h1", "laneproof"), join(parts), facts)
    said = verdict(facts.findings, declared=facts.build is not None)
    name = name_box(facts.build, snapshot)
    ordered = order_findings(facts.findings)
    anchors = Anchors(ordered)
    body = join((
        write_declaration(facts.build, facts.problem),
        write_overdue(facts.overdue),
        write_findings(ordered, anchors, FROM_HOME),
        write_tree(facts.build, snapshot, TreeNotes(ordered=ordered, anchors=anchors, links=FROM_HOME)),
        write_drives(facts.build, snapshot, FROM_HOME),
        write_arrays(snapshot),
        *write_network(snapshot),
        write_recent(facts.recent),
        write_machine(snapshot),
    ))  # fmt: skip
    return _wrap(f"{name} {say_verdict(said)}", _headline(name, said, facts, snapshot), body, facts)


def say_verdict(verdict: str) -> str:
    """Say a verdict after the box's name."""
    return _SAID[verdict]


def draw_icon(findings: Sequence[Finding] | None, *, declared: bool) -> str:
    """Draw the page's icon, the verdict's mark, in colours that show on any tab; `findings` are None before a pass."""
    said = "unverified" if findings is None else verdict(findings, declared=declared)
    colour = {"holds": "#2b7a4b", "differs": "#c4372e", "unverified": "#b07a10"}[said]
    fill = colour if said == "holds" else "none"
    strands = tag("g", *draw_strands(said), fill=fill, stroke=colour, stroke_width=2.5, stroke_linecap="round")
    return tag("svg", strands, xmlns="http://www.w3.org/2000/svg", viewBox="0 0 20 20")


def _headline(name: str, said: str, facts: PageFacts, snapshot: Snapshot) -> Markup:
    counts = count_findings(facts.findings)
    counted = [count_words(counts[key], singular, plural) for key, singular, plural in _COUNTED if counts[key]]
    if not counted:
        counted = ["all is as declared, and no sign of failure was seen" if facts.build else _UNDECLARED]
    return join((
        tag("h1", draw_mark(said), tag("span", name, class_="box"), " ", tag("span", say_verdict(said)), class_=said),
        tag("p", ", ".join(counted) + ".", class_="counts", role="status"),
        write_age(snapshot.taken_at, facts.age_seconds),
        None if facts.proven is None else tag("p", facts.proven.sentence, class_="read"),
    ))  # fmt: skip


def _wrap(title: str, headline: Markup, body: Markup, facts: PageFacts) -> str:
    more = (
        " ", tag("a", "The same as JSON", href="api/v1/audit"), ", ", tag("a", "as metrics", href="metrics"), ".",
    )  # fmt: skip
    return write_document(
        title, headline, body, age_seconds=facts.age_seconds, more=more,
        below=write_open_case(facts.findings),
    )  # fmt: skip
