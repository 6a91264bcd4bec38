"""What an owner may copy from a position's page: to live with a difference, confirm a cause, or replace a drive.

Nothing here is carried out by the program. An acceptance has to be given its reason first: without one it is refused.
"""

import json
import shlex
from collections.abc import Iterator, Sequence
from datetime import UTC, datetime, timedelta

from laneproof.box.names import Position
from laneproof.diagnosis.finding_causes import EXPLAINED
from laneproof.diagnosis.weights import DEFAULT
from laneproof.findings import Finding, Kind
from laneproof.outputs.markup import Markup, tag, write_section

_ACCEPT_DAYS = 90
"""For how long an acceptance is proposed. Our choice: long enough for a spare part, short enough to be seen again."""


def write_commands(position: Position, findings: Sequence[Finding], *, now: float) -> Markup:
    """Write the commands."""
    name = shlex.quote(position.name)
    parts = [
        *_accept(findings, now),
        *_confirm(name, findings),
        _write("Keep a note of what you did or saw here:", f'sudo laneproof note {name} "TEXT"')
        if position.declared is not None
        else None,
        _write("Be led through exchanging the drive, in the terminal:", f"sudo laneproof replace {name}"),
    ]
    return write_section("To copy", *parts, name="commands", class_="commands")


def _write(words: str, text: str) -> Markup:
    return tag("div", tag("p", words), tag("pre", tag("code", text)))


def _accept(findings: Sequence[Finding], now: float) -> Iterator[Markup]:
    rules = dict.fromkeys(
        (finding.rule, finding.position)
        for finding in findings
        if finding.kind is not Kind.UNVERIFIED and finding.accepted is None and finding.position
    )
    if not rules:
        return
    until = (datetime.fromtimestamp(now, UTC) + timedelta(days=_ACCEPT_DAYS)).date()
    blocks = [
        f'[[accept]]\nrule = {_quote(rule)}\nposition = {_quote(label)}\nuntil = {until}\nbecause = ""\n'
        for rule, label in rules
    ]
    words = "Live with it for now: add the one that you mean to the declaration, with your reason between the quotes:"
    yield _write(words, "\n".join(blocks))


def _confirm(name: str, findings: Sequence[Finding]) -> Iterator[Markup]:
    causes = [finding.causes for finding in findings if finding.rule in EXPLAINED and finding.accepted is None]
    if not causes:
        return
    likeliest = next((ranked[0].cause for ranked in causes if ranked and ranked[0].cause in DEFAULT.priors), None)
    others = ", ".join(str(cause) for cause in DEFAULT.priors if cause != likeliest)
    words = "Once you know what it was, say so; the box's weights learn from it. "
    words += f"Instead of {likeliest}: {others}." if likeliest else f"The causes: {others}."
    yield _write(words, f"sudo laneproof confirm {name} {likeliest or 'CAUSE'}")


def _quote(text: str | None) -> str:
    """Write a text as TOML does; JSON's form is one of TOML's, but for one character."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")
