"""The tree of paths on the page: each position with its link as strands, declared beside trained, and what is in it."""

from collections.abc import Iterable, Sequence

from laneproof.box.links import link_bytes_per_second
from laneproof.declaration.build import Build
from laneproof.declaration.units import format_bytes
from laneproof.findings import Finding, Kind
from laneproof.outputs.inventory import Place, Width, is_about, list_places
from laneproof.outputs.markup import Markup, join, tag
from laneproof.outputs.page.lanes import draw_lanes, spell
from laneproof.outputs.page.words import anchor, seal, seal_of
from laneproof_collectors.snapshot import Snapshot
from laneproof_collectors.unread import Unread

_LEGEND = "One strand is a lane, one knot a generation. Dotted and hollow: declared, and not there. Grey: not known."


def write_tree(build: Build | None, snapshot: Snapshot, ordered: Sequence[Finding]) -> Markup:
    """Write the tree.

    Args:
        build: The declaration, None where there is none.
        snapshot: The facts.
        ordered: The findings, sorted for reading.
    """
    heading = tag("h2", "Lanes", id="lanes")
    if isinstance(snapshot.functions, Unread):
        return _section(heading, tag("p", str(snapshot.functions)))
    places = list_places(build, snapshot)
    if not places:
        return _section(heading, tag("p", "No drive, and no declared position."))
    roots = sorted({place.path.split("/")[0] for place in places})
    trees = [
        tag("li", tag("div", tag("span", root, class_="path"), " host bridge", class_="root"),
            _branches(root, places, ordered))
        for root in roots
    ]  # fmt: skip
    return _section(heading, tag("p", _LEGEND, class_="legend"), tag("ul", *trees, class_="tree"))


def _section(*content: Markup) -> Markup:
    return tag("section", *content, class_="harness", aria_labelledby="lanes")


def _branches(path: str, places: Sequence[Place], ordered: Sequence[Finding]) -> Markup | None:
    own = [one for one in places if _parent(one, places) == path]
    if not own:
        return None
    items = [tag("li", _place(one, path, ordered), _branches(one.path, places, ordered)) for one in own]
    return tag("ul", *items)


def _parent(place: Place, places: Iterable[Place]) -> str:
    """Give the shown place that a place hangs on: its nearest one above, else its host bridge."""
    shown = {one.path for one in places}
    above = place.path.rpartition("/")[0]
    while "/" in above and above not in shown:
        above = above.rpartition("/")[0]
    return above


def _place(place: Place, above: str, ordered: Sequence[Finding]) -> Markup:
    hop = place.path.removeprefix(f"{above}/")
    name = tag(
        "div",
        tag("b", place.label) if place.label else None,
        " " if place.label else None,
        tag("span", hop, class_="path", title=place.path),
        class_="name",
    )
    has_link = place.trained is not None or place.declared is not None
    drawing = tag("div", draw_lanes(place.trained, place.declared) if has_link else None, class_="drawing")
    words = tag("div", *_link_words(place), class_="link") if has_link else None
    return tag(
        "div",
        name,
        drawing,
        tag("div", words, tag("div", *_occupant_words(place), class_="occupant"), class_="words"),
        tag("div", *_state(place, ordered), class_="state"),
        class_="place",
    )


def _link_words(place: Place) -> Iterable[Markup | str]:
    if place.trained is None:
        yield "no link"
    else:
        yield spell(place.trained)
        if rate := _rate(place.trained):
            yield tag("span", f" {rate}", class_="rate")
    if place.declared is not None and not _is_met(place):
        kind = "declared" if _is_known(place) else "rate"  # what could not be read is not told as a difference
        yield tag("span", f", declared {spell(place.declared)}", class_=kind)


def _is_known(place: Place) -> bool:
    trained = place.trained
    return trained is None or (trained.generation is not None and trained.lanes is not None)


def _is_met(place: Place) -> bool:
    trained, declared = place.trained, place.declared
    if trained is None or declared is None:
        return False
    return declared.generation in (None, trained.generation) and declared.lanes in (None, trained.lanes)


def _rate(width: Width) -> str | None:
    """Say what a link carries after line coding, each way."""
    if width.generation is None or not width.lanes:
        return None
    return f"{format_bytes(round(link_bytes_per_second(width.generation, width.lanes)))}/s"


def _occupant_words(place: Place) -> Iterable[Markup | str]:
    occupant = place.occupant
    if occupant is None:
        yield "more below" if place.has_children else "empty"
        return
    yield tag("span", occupant.name, class_="device")
    if isinstance(occupant.capacity_bytes, int):
        yield f" {format_bytes(occupant.capacity_bytes)}"
    if isinstance(occupant.model, str):
        yield f" {occupant.model}"
    elif isinstance(occupant.model, Unread):
        yield " (what it is could not be read)"


def _state(place: Place, ordered: Sequence[Finding]) -> Iterable[Markup]:
    """Link to what was found here; a declared position where nothing was found is as declared."""
    about = [one for one in ordered if is_about(place, one)]
    standing = [one for one in about if one.accepted is None]
    if standing:
        loud = [one for one in standing if one.kind is not Kind.UNVERIFIED]
        first = (loud or standing)[0]
        yield tag("a", seal_of(first.kind), first.rule, href=f"#{anchor(ordered, first)}")
        if len(standing) > 1:
            yield tag("span", f"and {len(standing) - 1} more", class_="more")
    elif about:
        yield tag("a", f"{about[0].rule}, accepted", href=f"#{anchor(ordered, about[0])}")
    elif place.label is not None:
        yield join((seal("holds"), tag("span", "as declared")))
