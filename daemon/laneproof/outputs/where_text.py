"""Where a drive is, as text: what to read on its label first, then the place, then the box with it marked."""

import textwrap
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from laneproof.box.names import Whereabouts
from laneproof.outputs.audit_text import Style
from laneproof.outputs.inventory import Place
from laneproof.outputs.marked_tree import draw_tree
from laneproof.outputs.place_words import (
    list_uses,
    say_between,
    say_link,
    say_occupant,
    say_path,
    say_position,
    say_serial,
)
from laneproof_collectors.disks.locate import LedKind, LocateLed

_HEADING = "1"
_COLUMN = 12
_BLINKS = {LedKind.SLOT: "1 lights the slot's attention indicator, 2 lets it blink"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Finds:
    """What was asked for besides the snapshot.

    Attributes:
        names: Lasting names under ``/dev``, by disk.
        leds: Locate LEDs, by path of the place; None where nobody asked the machine (a recording).
    """

    names: Mapping[str, tuple[str, ...]]
    leds: Mapping[str, tuple[LocateLed, ...]] | None


def write_where(asked: str, found: Sequence[Whereabouts], finds: Finds, places: Sequence[Place], style: Style) -> str:
    """Write the whole text, with a line end.

    Args:
        asked: The name as it was asked for.
        found: The places that it stands for.
        finds: What else is known of them.
        places: The whole tree.
        style: How to write.
    """
    lines: list[str] = []
    for one in found:
        lines += _describe(asked, one, finds, style)
        lines.append("")
    marks = {one.path: "here" if len(found) == 1 else f"here: {one.known_as}" for one in found}
    lines += draw_tree(places, marks, style)
    return "\n".join(lines) + "\n"


def _describe(asked: str, place: Whereabouts, finds: Finds, style: Style) -> Iterator[str]:
    title = style.clean(place.name)
    head = f"{title}: {style.clean(say_occupant(place.occupant))}"
    first, *rest = textwrap.wrap(head, style.width, subsequent_indent="  ", break_on_hyphens=False)
    yield style.paint(title, _HEADING) + first.removeprefix(title) if first.startswith(title) else first
    yield from rest
    occupant = place.occupant
    rows = [
        ("asked for", f"{asked}: {place.known_as}"),
        ("on its label", f"serial number {say_serial(occupant)}" if occupant and occupant.is_drive else ""),
        ("on the board", say_position(place)),
        ("between", say_between(place)),
        ("path", say_path(place)),
        ("link", say_link(place)),
        *(("in use", use) for use in list_uses(place)),
        *(("also called", name) for name in _list_names(place, finds)),
        *_tell_leds(place, finds),
    ]
    for word, text in rows:
        if text:
            yield from _row(word, text, style)


def _list_names(place: Whereabouts, finds: Finds) -> Iterator[str]:
    for disk in place.occupant.disks if place.occupant else ():
        yield f"/dev/{disk}"
        yield from finds.names.get(disk, ())


def _tell_leds(place: Whereabouts, finds: Finds) -> Iterator[tuple[str, str]]:
    if finds.leds is None or place.occupant is None:
        return
    leds = finds.leds.get(place.path, ())
    for one in leds:
        hint = _BLINKS.get(one.kind, "0 switches it off again")
        yield "light", f"{one.name}: as root, echo 1 > {one.file} ({hint}; laneproof switches nothing)"
    if not leds:
        yield "light", "the kernel offers no locate LED for this place"


def _row(word: str, text: str, style: Style) -> Iterator[str]:
    yield from textwrap.wrap(
        style.clean(text),
        style.width,
        initial_indent=f"  {word:<{_COLUMN}}  ",
        subsequent_indent=" " * (_COLUMN + 4),
        break_on_hyphens=False,
        break_long_words=True,
    )
