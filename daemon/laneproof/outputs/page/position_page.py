"""The page of one position: what is in it, what was found, how it went over time, and what to do. A pure function."""

from collections.abc import Iterator
from dataclasses import dataclass

from laneproof.box.names import Position
from laneproof.declaration.build import Build
from laneproof.findings import order_findings, verdict
from laneproof.outputs.audit_json import name_box
from laneproof.outputs.box_picture import Mark
from laneproof.outputs.markup import Markup, join, tag, write_section
from laneproof.outputs.page.drives import DRIVE_FACTS, RAIL_LEGEND, show_written
from laneproof.outputs.page.findings import write_findings, write_open_case
from laneproof.outputs.page.history import write_happened, write_history
from laneproof.outputs.page.page import say_verdict
from laneproof.outputs.page.position_tree import TreeNotes, write_tree
from laneproof.outputs.page.shell import BoxFacts, write_age, write_document
from laneproof.outputs.page.to_copy import write_commands
from laneproof.outputs.page.words import FROM_BELOW, Anchors, draw_mark
from laneproof.outputs.position_past import PositionPast
from laneproof.outputs.position_words import (
    list_uses,
    say_between,
    say_link,
    say_occupant,
    say_path,
    say_position,
    say_serial,
)
from laneproof_collectors.snapshot import Snapshot
from laneproof_collectors.unread import Unread

EVERY_SECONDS = 60
"""How often the page is read again: each time the history is."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PositionPageFacts(BoxFacts):
    """What a position's page is made of; `past` is why it is not known, where it is not."""

    position: Position
    past: PositionPast | str
    span: str


def write_position(facts: PositionPageFacts) -> str:
    """Write the whole document."""
    position, snapshot = facts.position, facts.snapshot
    ordered = order_findings(facts.findings)
    about = [finding for finding in ordered if position.is_subject_of(finding)]
    notes = TreeNotes(ordered=ordered, anchors=Anchors(ordered), links=FROM_BELOW, marks={position.path: Mark.HERE})
    body = join((
        write_findings(about, Anchors(about), FROM_BELOW) if about else None,
        _write_facts(position),
        *_write_past(facts),
        write_commands(position, about, now=snapshot.taken_at),
        write_tree(facts.build, snapshot, notes),
    ))  # fmt: skip
    said = verdict(about, declared=position.declared is not None)
    headline = join((
        write_way_back(facts.build, snapshot),
        tag("h1", draw_mark(said), tag("span", position.name, class_="box"), " ", tag("span", say_verdict(said)),
            class_=said),
        tag("p", say_occupant(position.occupant), class_="counts", role="status"),
        write_age(snapshot.taken_at, facts.age_seconds),
    ))  # fmt: skip
    return write_document(
        f"{position.name} {say_verdict(said)}",
        headline,
        body,
        age_seconds=facts.age_seconds,
        links=FROM_BELOW,
        kind="single",
        every_seconds=EVERY_SECONDS,
        below=write_open_case(about),
    )


def write_way_back(build: Build | None, snapshot: Snapshot, *more: Markup) -> Markup:
    """Write the links to the whole box and to the guide."""
    home = tag("a", f"{name_box(build, snapshot)}, the whole box", href=FROM_BELOW.home)
    return tag("nav", home, *more, class_="way", aria_label="Pages")


def _write_facts(position: Position) -> Markup:
    occupant = position.occupant
    rows: list[tuple[str, Markup | str]] = []
    if occupant is not None and occupant.is_drive:
        rows.append(("Serial number", say_serial(occupant)))
        rows.append(("Firmware", _say(occupant.firmware)))
    rows += [
        ("On the board", say_position(position)),
        ("Between", say_between(position)),
        ("Path", say_path(position)),
        ("Link", say_link(position)),
        *(("In use", use) for use in list_uses(position)),
    ]
    if occupant is not None and occupant.is_drive:
        rows += [(name, show(occupant)) for name, show in (*DRIVE_FACTS, ("Written", show_written))]
    written = [tag("div", tag("dt", name), tag("dd", value)) for name, value in rows if value]
    legend = RAIL_LEGEND if any("<svg" in value for _, value in rows) else None
    guide = FROM_BELOW.to_guide(
        position.name, "The guide to replacing the drive" if occupant else "The guide to fitting a drive"
    )
    return write_section("What is here", tag("dl", *written, class_="facts"), legend, tag("p", guide), name="facts")


def _say(value: str | Unread | None) -> str:
    return "unverified" if isinstance(value, Unread) else value or "not reported"


def _write_past(facts: PositionPageFacts) -> Iterator[Markup]:
    past = facts.past
    if isinstance(past, str):
        yield write_section("History", tag("p", f"It is not known here: {past}."))
        return
    yield write_history(past, facts.position, facts.span)
    yield write_happened(past)
