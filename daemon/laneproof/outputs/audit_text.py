"""The audit as text: the verdict first, then what is not as it should be, then the tree of paths.

Words carry the meaning; colour only repeats it. The text fits the width it is given and needs no more than ASCII where
the reader's terminal has no more. What a device calls itself is written without its control characters.
"""

import textwrap
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

from laneproof.declaration.build import Build
from laneproof.declaration.units import format_bytes
from laneproof.diagnosis.weights import CauseName
from laneproof.findings import Finding, Kind, Severity, order_findings, verdict
from laneproof.outputs.audit_json import count_findings, name_box
from laneproof.outputs.inventory import Place, is_about, list_places
from laneproof_collectors.snapshot import Snapshot
from laneproof_collectors.unread import Unread

NARROWEST = 40
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
    "There is no declaration yet, so only what needs none was judged. Write one with\n"
    "'laneproof draft -o build.toml', correct it, and put it at /etc/laneproof/build.toml."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Style:
    """How to write: columns, whether colour may be used, and whether the terminal knows line-drawing characters."""

    width: int = 80
    colour: bool = False
    unicode: bool = True

    def paint(self, text: str, code: str) -> str:
        """Colour a text, where colour may be used."""
        return f"\x1b[{code}m{text}\x1b[0m" if self.colour and code else text

    @property
    def branch(self) -> tuple[str, str, str]:
        """A child, the last child, and the line past one."""
        return ("├─ ", "└─ ", "│  ") if self.unicode else ("|- ", "`- ", "|  ")

    @property
    def arrow(self) -> str:
        """From declared to trained."""
        return "→" if self.unicode else "->"

    def clean(self, text: str) -> str:
        """Leave out what would steer the terminal, and what it cannot show."""
        shown = "".join(one if one.isprintable() else "?" for one in text)
        if self.unicode:
            return shown
        return shown.translate(_IN_ASCII).encode("ascii", "replace").decode()

    def cut(self, text: str, room: int) -> str:
        """Shorten a text to a number of columns, and show that it was."""
        if len(text) <= room:
            return text
        return f"{text[: max(room - 1, 0)].rstrip()}{'…' if self.unicode else '~'}"


_IN_ASCII = str.maketrans({"→": "->", "×": "x", "…": "...", "–": "-", "’": "'", "°": " deg "})  # noqa: RUF001 (meant)
_CODES = {Severity.CRITICAL: "1;31", Severity.WARNING: "33", Severity.NOTICE: "36"}
_VERDICT_CODES = {"holds": "32", "differs": "1;31", "unverified": "36"}


def write_audit(build: Build | None, snapshot: Snapshot, findings: Sequence[Finding], style: Style) -> str:
    """Write the whole text, with a line end.

    Args:
        build: The declaration, None where there is none.
        snapshot: The facts judged.
        findings: What the engine found.
        style: How to write; narrower than `NARROWEST` is written as that.
    """
    style = replace(style, width=max(style.width, NARROWEST))
    lines = _headline(build, snapshot, findings, style)
    ordered = order_findings(findings)
    for heading, group in _group(ordered):
        lines += ["", style.paint(heading, "1")]
        for one in group:
            lines += _describe(one, style)
    if accepted := [one for one in ordered if one.accepted is not None]:
        lines += ["", style.paint("Accepted for now", "1")]
        for one in accepted:
            text = f"{one.position or one.subject}  {one.rule}: {one.summary} (because {one.accepted})"
            lines += _wrap(text, style, first="  ")
    lines += ["", style.paint(f"Inventory, declared {style.arrow} trained", "1")]
    lines += _tree(build, snapshot, ordered, style)
    if build is None:
        lines += ["", *(line for part in _WITHOUT_BUILD.split("\n") for line in textwrap.wrap(part, style.width))]
    return "\n".join(lines) + "\n"


def _group(ordered: Sequence[Finding]) -> list[tuple[str, list[Finding]]]:
    """Group by kind under a heading, the group with the loudest finding first."""
    groups = [
        (heading, [one for one in ordered if one.kind is kind and one.accepted is None]) for kind, heading in _HEADINGS
    ]
    return sorted((group for group in groups if group[1]), key=lambda group: -group[1][0].severity.rank)


def _headline(build: Build | None, snapshot: Snapshot, findings: Sequence[Finding], style: Style) -> list[str]:
    said = verdict(findings)
    counts = count_findings(findings)
    told = ", ".join(f"{counts[key]} {one if counts[key] == 1 else more}" for key, one, more in _COUNTED if counts[key])
    everything = "everything declared holds" if build else "no fault seen in what needs no declaration"
    head = f"{name_box(build, snapshot)}: {said.upper()}"
    lines = _wrap(f"{head} - {told or everything}", style, first="")
    if lines[0].startswith(head := style.clean(head)):
        lines[0] = style.paint(head, _VERDICT_CODES[said]) + lines[0].removeprefix(head)
    return lines


def _describe(finding: Finding, style: Style) -> list[str]:
    """Two to four lines: what, why as far as it is known, and the first thing to do."""
    title = style.clean(finding.position or finding.subject)
    head = f"  {title}  {finding.rule} ({finding.severity})"
    lines = [head] if len(head) <= style.width else _wrap(head.strip(), style, first="  ")
    if lines[0].startswith(f"  {title}"):
        lines[0] = f"  {style.paint(title, _CODES[finding.severity])}{lines[0][2 + len(title) :]}"
    lines += _wrap(finding.summary, style, first=_INDENT)
    if finding.causes:
        first = finding.causes[0]
        because = f": {'; '.join(first.because[:2])}" if first.because else ""
        likely = f"likely {first.cause} ({first.probability:.0%})"
        said = "cause undetermined" if first.cause == CauseName.UNDETERMINED else likely
        lines += _wrap(said + because, style, first=_INDENT)
    if finding.next_steps:
        lines += _wrap(f"next: {finding.next_steps[0]}", style, first=_INDENT)
    return lines


def _wrap(text: str, style: Style, *, first: str) -> list[str]:
    return textwrap.wrap(
        style.clean(text), style.width, initial_indent=first, subsequent_indent=first + "  ", break_on_hyphens=False
    )


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
        yield from _wrap(str(snapshot.functions), style, first="  ")
        return
    places = list_places(build, snapshot)
    if not places:
        yield from _wrap("no drive, and no declared position", style, first="  ")
        return
    rows: list[_Row] = []
    for root in sorted({place.path.split("/")[0] for place in places}):
        rows.append(_Row(head=f"  {root}", below="  ", mark="", link="", who=""))
        rows += _children(root, places, findings, style, before="  ")
    yield from _lay_out(rows, style)


def _mark(place: Place, findings: Sequence[Finding]) -> str:
    """Mark a place that findings are about: ``!`` for a difference or a sign, ``?`` where it is only unverified."""
    kinds = {one.kind for one in findings if one.accepted is None and is_about(place, one)}
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


def _children(
    path: str, places: Sequence[Place], findings: Sequence[Finding], style: Style, *, before: str
) -> Iterator[_Row]:
    own = [one for one in places if one.path.rpartition("/")[0] == path]
    # A place whose parent is not shown (a position on a missing bridge) hangs on the root, by its whole path.
    shown = {one.path for one in places} | {path}
    if "/" not in path:
        own += [one for one in places if one not in own and one.path.startswith(f"{path}/") and _orphan(one, shown)]
    child, last, past = style.branch
    for index, place in enumerate(own):
        is_last = index == len(own) - 1
        name = place.path.removeprefix(f"{path}/")
        below = before + ("   " if is_last else past)
        yield _Row(
            head=style.clean(f"{before}{last if is_last else child}{name} {place.label or ''}").rstrip(),
            below=below,
            mark=_mark(place, findings),
            link=_link_words(place, style),
            who=style.clean(_occupant_words(place)),
        )
        yield from _children(place.path, places, findings, style, before=below)


def _orphan(place: Place, shown: set[str]) -> bool:
    return place.path.rpartition("/")[0] not in shown


def _link_words(place: Place, style: Style) -> str:
    declared = str(place.declared) if place.declared else ""
    trained = str(place.trained) if place.trained else ""
    if declared and trained:
        return f"{declared} {style.arrow} {trained}"
    if declared:
        return f"{declared} {style.arrow} no link"
    if trained and place.capable and str(place.capable) != trained and "?" not in str(place.capable):
        return f"{trained} of {place.capable}"
    return trained


def _occupant_words(place: Place) -> str:
    occupant = place.occupant
    if occupant is None:
        return "" if place.has_children else "empty"
    parts = [occupant.name]
    if isinstance(occupant.capacity_bytes, int):
        parts.append(format_bytes(occupant.capacity_bytes))
    if isinstance(occupant.model, str):
        parts.append(occupant.model)
    return " ".join(parts)
