"""The tree of paths on the page: each position with its link as strands, declared beside trained, and what is in it."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

from laneproof.box.link_rates import link_bytes_per_second
from laneproof.box.occupants import is_about
from laneproof.box.shown_positions import RateAndLanes, ShownPosition, arrange_tree, list_positions
from laneproof.declaration.build import Build
from laneproof.declaration.units import format_bytes
from laneproof.findings import Finding, Kind
from laneproof.outputs.box_picture import Mark
from laneproof.outputs.markup import Markup, join, tag, write_section
from laneproof.outputs.page.lanes import draw_lanes, spell, write_legend
from laneproof.outputs.page.words import NO_LINKS, Anchors, Links, draw_mark, mark_of
from laneproof_collectors.snapshot import Snapshot
from laneproof_collectors.unread import Unread

_Tree = Mapping[str, Sequence[ShownPosition]]


@dataclass(frozen=True, slots=True, kw_only=True)
class TreeNotes:
    """What is written beside the positions; `marks` is what a person is to find, or not to touch, by path."""

    ordered: Sequence[Finding]
    anchors: Anchors
    links: Links = NO_LINKS
    marks: Mapping[str, Mark] = field(default_factory=dict)


def write_tree(build: Build | None, snapshot: Snapshot, notes: TreeNotes) -> Markup:
    """Write the tree."""
    if isinstance(snapshot.functions, Unread):
        return _section(tag("p", str(snapshot.functions)))
    positions = list_positions(build, snapshot)
    if not positions:
        return _section(tag("p", "No drive, and no declared position."))
    tree = arrange_tree(positions)
    roots = [
        tag("li", tag("div", tag("span", root, class_="path"), " host bridge", class_="root"),
            _branches(root, tree, notes))
        for root in tree if "/" not in root
    ]  # fmt: skip
    return _section(write_legend(), tag("ul", *roots, class_="tree"))


def _section(*content: Markup) -> Markup:
    return write_section("Lanes", *content, class_="harness")


def _branches(path: str, tree: _Tree, notes: TreeNotes) -> Markup | None:
    below = tree.get(path, ())
    items = [tag("li", _write(position, path, notes), _branches(position.path, tree, notes)) for position in below]
    return tag("ul", *items) if items else None


def _write(position: ShownPosition, above: str, notes: TreeNotes) -> Markup:
    mark = notes.marks.get(position.path)
    hop = position.path.removeprefix(f"{above}/")
    name = tag(
        "div",
        *_name(position, hop, notes.links),
        *((" ", tag("strong", str(mark))) if mark else ()),
        class_="name",
    )
    has_link = position.trained is not None or position.declared is not None
    drawing = tag("div", draw_lanes(position.trained, position.declared) if has_link else None, class_="drawing")
    words = tag("div", *_link_words(position), class_="link") if has_link else None
    return tag(
        "div",
        name,
        drawing,
        tag("div", words, tag("div", *_occupant_words(position), class_="occupant"), class_="words"),
        tag("div", *_state(position, notes), class_="state"),
        class_=f"position {mark.name.lower()}" if mark else "position",
    )


def _name(position: ShownPosition, hop: str, links: Links) -> Iterable[Markup | str]:
    path = tag("span", hop, class_="path", title=position.path)
    if position.label is not None:
        yield from (links.to_position(position.label), " ", path)
    else:
        yield path if position.occupant is None else links.to_position(position.path, path)


def _link_words(position: ShownPosition) -> Iterable[Markup | str]:
    if position.trained is None:
        yield "no link"
    else:
        yield spell(position.trained)
        if rate := _rate(position.trained):
            yield tag("span", f" {rate}", class_="rate")
    if position.declared is not None and not _is_met(position):
        kind = "declared" if _is_known(position) else "rate"  # what could not be read is not shown as a difference
        yield tag("span", f", declared {spell(position.declared)}", class_=kind)


def _is_known(position: ShownPosition) -> bool:
    trained = position.trained
    return trained is None or (trained.generation is not None and trained.lanes is not None)


def _is_met(position: ShownPosition) -> bool:
    trained, declared = position.trained, position.declared
    if trained is None or declared is None:
        return False
    return declared.generation in (None, trained.generation) and declared.lanes in (None, trained.lanes)


def _rate(width: RateAndLanes) -> str | None:
    """Say what a link carries after line coding, each way."""
    if width.generation is None or not width.lanes:
        return None
    return f"{format_bytes(round(link_bytes_per_second(width.generation, width.lanes)))}/s"


def _occupant_words(position: ShownPosition) -> Iterable[Markup | str]:
    occupant = position.occupant
    if occupant is None:
        yield "more below" if position.has_children else "empty"
        return
    yield tag("span", occupant.name, class_="device")
    if isinstance(occupant.capacity_bytes, int):
        yield f" {format_bytes(occupant.capacity_bytes)}"
    if isinstance(occupant.model, str):
        yield f" {occupant.model}"
    elif isinstance(occupant.model, Unread):
        yield " (what it is could not be read)"


def _state(position: ShownPosition, notes: TreeNotes) -> Iterable[Markup]:
    """Link to what was found here; a declared position where nothing was found is as declared."""
    about = [
        finding for finding in notes.ordered if is_about(finding, position.path, position.label, position.occupant)
    ]
    standing = [finding for finding in about if finding.accepted is None]
    if standing:
        read = [finding for finding in standing if finding.kind is not Kind.UNVERIFIED]
        first = (read or standing)[0]
        yield tag("a", mark_of(first.kind), first.rule, href=f"{notes.links.home}#{notes.anchors[first]}")
        if len(standing) > 1:
            yield tag("span", f"and {len(standing) - 1} more", class_="more")
    elif about:
        yield tag("a", f"{about[0].rule}, accepted", href=f"{notes.links.home}#{notes.anchors[about[0]]}")
    elif position.label is not None:
        yield join((draw_mark("holds"), tag("span", "as declared")))
