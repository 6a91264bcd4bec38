"""The audit as text: the verdict first, then what is not as it should be, then the tree of paths.

Words carry the meaning; colour only repeats it. The text fits the width it is given and needs no more than ASCII where
the reader's terminal has no more.
"""

import textwrap
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from laneproof.build.declaration import Build
from laneproof.build.units import format_bytes
from laneproof.findings import Finding, Kind, Severity, order_findings, verdict
from laneproof.outputs.audit_json import count_findings, name_box
from laneproof.outputs.inventory import Place, list_places
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


_CODES = {Severity.CRITICAL: "1;31", Severity.WARNING: "33", Severity.NOTICE: "36"}
_VERDICT_CODES = {"holds": "32", "differs": "1;31", "unverified": "36"}


def write_audit(build: Build | None, snapshot: Snapshot, findings: Sequence[Finding], style: Style) -> str:
    """Write the whole text, with a line end.

    Args:
        build: The declaration, None where there is none.
        snapshot: The facts judged.
        findings: What the engine found.
        style: How to write.
    """
    lines = [_headline(build, snapshot, findings, style)]
    ordered = order_findings(findings)
    for kind, heading in _HEADINGS:
        if of_kind := [one for one in ordered if one.kind is kind and one.accepted is None]:
            lines += ["", style.paint(heading, "1")]
            for one in of_kind:
                lines += _describe(one, style)
    if accepted := [one for one in ordered if one.accepted is not None]:
        lines += ["", style.paint("Accepted for now", "1")]
        for one in accepted:
            lines += _wrap(f"{_about(one)}: {one.summary} (because {one.accepted})", style, first="  ")
    lines += [
        "",
        style.paint("Inventory, declared " + style.arrow + " trained", "1"),
        *_tree(build, snapshot, ordered, style),
    ]
    if build is None:
        lines += ["", *(line for part in _WITHOUT_BUILD.split("\n") for line in textwrap.wrap(part, style.width))]
    return "\n".join(lines) + "\n"


def _headline(build: Build | None, snapshot: Snapshot, findings: Sequence[Finding], style: Style) -> str:
    said = verdict(findings)
    counts = count_findings(findings)
    words = {"differs": "differ", "sign": "sign", "unverified": "unverified", "accepted": "accepted"}
    told = ", ".join(f"{counts[key]} {word}" for key, word in words.items() if counts[key])
    everything = "everything declared holds" if build else "no fault seen in what needs no declaration"
    text = f"{name_box(build, snapshot)}: {said.upper()}"
    rest = f" - {told or everything}"
    return style.paint(text, _VERDICT_CODES[said]) + rest


def _about(finding: Finding) -> str:
    return f"{finding.position or finding.subject}  {finding.rule}"


def _describe(finding: Finding, style: Style) -> list[str]:
    """Two to four lines: what, why as far as it is known, and the first thing to do."""
    title = f"{finding.position or finding.subject}"
    head = f"  {style.paint(title, _CODES[finding.severity])}  {finding.rule} ({finding.severity})"
    lines = [head, *_wrap(finding.summary, style, first=_INDENT)]
    if finding.causes:
        first = finding.causes[0]
        because = f": {'; '.join(first.because[:2])}" if first.because else ""
        lines += _wrap(f"likely {first.cause} ({first.probability:.0%}){because}", style, first=_INDENT)
    if finding.next_steps:
        lines += _wrap(f"next: {finding.next_steps[0]}", style, first=_INDENT)
    return lines


def _wrap(text: str, style: Style, *, first: str) -> list[str]:
    return textwrap.wrap(
        text, max(style.width, NARROWEST), initial_indent=first, subsequent_indent=first + "  ", break_long_words=True
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Row:
    """One line of the tree before it is laid out."""

    head: str
    troubled: bool
    link: str
    who: str


def _tree(build: Build | None, snapshot: Snapshot, findings: Sequence[Finding], style: Style) -> Iterator[str]:
    if isinstance(snapshot.functions, Unread):
        yield f"  {snapshot.functions}"
        return
    places = list_places(build, snapshot)
    if not places:
        yield "  no drive, and no declared position"
        return
    troubled = {one.position or one.key for one in findings if one.accepted is None}
    rows: list[_Row] = []
    for root in sorted({place.path.split("/")[0] for place in places}):
        rows.append(_Row(head=f"  {root}", troubled=False, link="", who=""))
        rows += _children(root, places, troubled, style, before="  ")
    yield from _lay_out(rows, style)


def _lay_out(rows: Sequence[_Row], style: Style) -> Iterator[str]:
    """Set the rows in columns as wide as they need; what does not fit is cut, or left out where nothing of it fits."""
    head = max(len(row.head) for row in rows)
    link = max(len(row.link) for row in rows)
    room = style.width - head - link - 6
    for row in rows:
        who = (
            row.who
            if len(row.who) <= room
            else f"{row.who[: max(room - 1, 0)].rstrip()}{'…' if style.unicode else '~'}"
        )
        mark = style.paint("!", "1;31") if row.troubled else " "
        last = f"  {who}" if room >= _SHORTEST_NAME else ""
        yield f"{row.head:<{head}}  {mark} {row.link:<{link}}{last}".rstrip()


def _children(path: str, places: Sequence[Place], troubled: set[str], style: Style, *, before: str) -> Iterator[_Row]:
    own = [one for one in places if one.path.rpartition("/")[0] == path]
    # A place whose parent is not shown (a position on a missing bridge) hangs on the root, by its whole path.
    shown = {one.path for one in places} | {path}
    if "/" not in path:
        own += [one for one in places if one not in own and one.path.startswith(f"{path}/") and _orphan(one, shown)]
    child, last, past = style.branch
    for index, place in enumerate(own):
        is_last = index == len(own) - 1
        name = place.path.removeprefix(f"{path}/")
        yield _Row(
            head=f"{before}{last if is_last else child}{name} {place.label or ''}".rstrip(),
            troubled=(place.label or place.path) in troubled,
            link=_link_words(place, style),
            who=_occupant_words(place),
        )
        yield from _children(place.path, places, troubled, style, before=before + ("   " if is_last else past))


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
