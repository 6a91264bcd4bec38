"""The audit as text: the verdict first, then what is not as it should be, then the tree of paths."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from laneproof.box.occupants import is_about
from laneproof.box.shown_positions import ShownPosition, arrange_tree, list_positions
from laneproof.declaration.build import Build
from laneproof.declaration.units import format_bytes
from laneproof.findings import Finding, Kind, Severity, order_findings, verdict
from laneproof.outputs.audit_json import count_findings, name_box
from laneproof.outputs.cases import name_subject, say_likely
from laneproof.outputs.marked_tree import walk_tree
from laneproof.outputs.steps_and_cautions import CAUTION_HEADING, list_cautions, list_steps
from laneproof.outputs.text_style import Style
from laneproof_collectors.snapshot import Snapshot
from laneproof_collectors.unread import Unread

if TYPE_CHECKING:  # likewise in the audit as JSON
    from laneproof.proof.last_proven import LastRun

_INDENT = "    "
_SHORTEST_NAME = 4  # a device's name cut shorter than this names nothing
_HEADINGS = (
    (Kind.DIFFERS, "Not as declared"),
    (Kind.SIGN, "Signs of failure"),
    (Kind.UNVERIFIED, "Could not be verified"),
)
_COUNTED = (  # what is counted, one of it, more of it
    ("differs", "differs", "differ"),
    ("sign", "sign of failure", "signs of failure"),
    ("unverified", "unverified", "unverified"),
    ("accepted", "accepted", "accepted"),
)
_WITHOUT_BUILD = (
    "There is no declaration yet, so only what needs none was judged. Write one with "
    "'laneproof draft -o build.toml', correct it, and put it at /etc/laneproof/build.toml."
)
_CODES = {Severity.CRITICAL: "1;31", Severity.WARNING: "33", Severity.NOTICE: "36"}
_VERDICT_CODES = {"holds": "32", "differs": "1;31", "unverified": "36"}


def write_audit(
    build: Build | None,
    snapshot: Snapshot,
    findings: Sequence[Finding],
    style: Style,
    proven: "LastRun | None" = None,
) -> str:
    """Write the whole text, with a line end."""
    lines = _headline(build, snapshot, findings, style)
    ordered = order_findings(findings)
    standing = [finding for finding in ordered if finding.accepted is None]
    earlier = _Earlier()
    for heading, group in _group(standing):
        lines += style.put_under(heading, (line for finding in group for line in _describe(finding, earlier, style)))
    cautions = style.wrap_each(list_cautions(standing, most_steps=1), "  - ", "    ")
    lines += style.put_under(CAUTION_HEADING, cautions)
    accepted = [
        f"{name_subject(finding)}  {finding.rule}: {finding.summary} (because {finding.accepted})"
        for finding in ordered
        if finding.accepted is not None
    ]
    lines += style.put_under("Accepted for now", style.wrap_each(accepted))
    lines += style.put_under(f"Inventory, declared {style.arrow} trained", _tree(build, snapshot, ordered, style))
    if proven is not None:
        lines += ["", *style.wrap(proven.sentence, rest="")]
    if build is None:
        lines += ["", *style.wrap(_WITHOUT_BUILD, rest="")]
    return "\n".join(lines) + "\n"


def _group(standing: Sequence[Finding]) -> list[tuple[str, list[Finding]]]:
    """Group by kind under a heading, the group with the most severe finding first."""
    groups = [(heading, [finding for finding in standing if finding.kind is kind]) for kind, heading in _HEADINGS]
    return sorted((group for group in groups if group[1]), key=lambda group: -group[1][0].severity.rank)


def _headline(build: Build | None, snapshot: Snapshot, findings: Sequence[Finding], style: Style) -> list[str]:
    said = verdict(findings, declared=build is not None)
    counts = count_findings(findings)
    counted = [f"{counts[key]} {singular if counts[key] == 1 else plural}" for key, singular, plural in _COUNTED
               if counts[key]]  # fmt: skip
    everything = (
        "everything declared holds" if build else "nothing is declared; no fault seen in what needs no declaration"
    )
    head = f"{name_box(build, snapshot)}: {said.upper()}"
    return style.wrap_under(head, f" - {', '.join(counted) or everything}", _VERDICT_CODES[said])


class _Earlier:
    """What stands above already, so that no cause and no step is said twice."""

    def __init__(self) -> None:
        self._said: dict[tuple[str, str], Finding] = {}

    def name(self, finding: Finding, what: str) -> str | None:
        """Name the finding above that this was said of; None where it is said for the first time."""
        about = name_subject(finding)
        first = self._said.setdefault((about, what), finding)
        if first is not finding:
            return f"{about}'s {first.rule}"
        first = self._said.setdefault(("", what), finding)
        return None if first is finding else name_subject(first)


def _describe(finding: Finding, earlier: _Earlier, style: Style) -> list[str]:
    """Write what, why as far as it is known, and the first thing to do."""
    title = f"  {finding.rule} ({finding.severity})"
    lines = style.wrap_under(name_subject(finding), title, _CODES[finding.severity], "  ")
    lines += style.wrap(finding.summary, _INDENT)
    if finding.causes:
        lines += style.wrap(_say_cause(finding, earlier), _INDENT)
    if steps := list_steps(finding):
        above = earlier.name(finding, steps[0])
        lines += style.wrap(f"next: {f'the same as for {above}' if above else steps[0]}", _INDENT)
    return lines


def _say_cause(finding: Finding, earlier: _Earlier) -> str:
    cause = finding.causes[0]
    said = say_likely(cause.cause, cause.probability)
    because = "; ".join(cause.because[:2])
    if because and (above := earlier.name(finding, said + because)):
        return f"{said}, for the same reasons as {above}"
    return f"{said}: {because}" if because else said


@dataclass(frozen=True, slots=True, kw_only=True)
class _Row:
    """One line of the tree before it is laid out; `below` is what begins a second line under it."""

    head: str
    below: str
    mark: str
    link: str
    who: str


def _tree(build: Build | None, snapshot: Snapshot, findings: Sequence[Finding], style: Style) -> Iterator[str]:
    if isinstance(snapshot.functions, Unread):
        yield from style.wrap(str(snapshot.functions), "  ")
        return
    positions = list_positions(build, snapshot)
    if not positions:
        yield from style.wrap("no drive, and no declared position", "  ")
        return
    tree = arrange_tree(positions)
    rows: list[_Row] = []
    for root in (path for path in tree if "/" not in path):
        rows.append(_Row(head=f"  {root}", below="  ", mark="", link="", who=""))
        rows += [
            _Row(
                head=head,
                below=below,
                mark=_mark(position, findings),
                link=_link_words(position, style),
                who=style.clean(_occupant_words(position)),
            )
            for head, below, position in walk_tree(root, tree, style, before="  ")
        ]
    yield from _lay_out(rows, style)


def _mark(position: ShownPosition, findings: Sequence[Finding]) -> str:
    """Mark what findings are about: ``!`` for a difference or a sign, ``?`` where it is only unverified."""
    kinds = {
        finding.kind
        for finding in findings
        if finding.accepted is None and is_about(finding, position.path, position.label, position.occupant)
    }
    return "!" if kinds - {Kind.UNVERIFIED} else "?" if kinds else ""


_MARK_CODES = {"!": "1;31", "?": "36"}


def _lay_out(rows: Sequence[_Row], style: Style) -> Iterator[str]:
    """Set the rows in columns as wide as they need; where they do not fit, each row's link goes on a second line."""
    head = max(len(row.head) for row in rows)
    link = max(len(row.link) for row in rows)
    if head + len("  ! ") + link > style.width:
        yield from _lay_out_stacked(rows, style)
        return
    room = style.width - head - link - 6
    for row in rows:
        mark = style.paint(row.mark, _MARK_CODES[row.mark]) if row.mark else " "
        last = f"  {style.cut(row.who, room)}" if room >= _SHORTEST_NAME else ""
        yield f"{row.head:<{head}}  {mark} {row.link:<{link}}{last}".rstrip()


def _lay_out_stacked(rows: Sequence[_Row], style: Style) -> Iterator[str]:
    for row in rows:
        mark = f"  {style.paint(row.mark, _MARK_CODES[row.mark])}" if row.mark else ""
        yield style.cut(row.head, style.width - 3) + mark
        if details := "  ".join(filter(None, (row.link, row.who))):
            yield style.cut(f"{row.below}  {details}", style.width)


def _link_words(position: ShownPosition, style: Style) -> str:
    declared = str(position.declared) if position.declared else ""
    trained = str(position.trained) if position.trained else ""
    if declared and trained:
        return f"{declared} {style.arrow} {trained}"
    if declared:
        return f"{declared} {style.arrow} no link"
    if trained and position.capable and str(position.capable) != trained and "?" not in str(position.capable):
        return f"{trained} of {position.capable}"
    return trained


def _occupant_words(position: ShownPosition) -> str:
    occupant = position.occupant
    if occupant is None:
        return "" if position.has_children else "empty"
    parts = [occupant.name]
    if isinstance(occupant.capacity_bytes, int):
        parts.append(format_bytes(occupant.capacity_bytes))
    if isinstance(occupant.model, str):
        parts.append(occupant.model)
    return " ".join(parts)
