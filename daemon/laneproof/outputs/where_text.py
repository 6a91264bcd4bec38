"""Where a drive is, as text: what its label says first, then its position, then the box with it marked."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from laneproof.box.names import Position
from laneproof.box.shown_positions import ShownPosition
from laneproof.outputs.marked_tree import draw_tree
from laneproof.outputs.position_words import (
    list_uses,
    say_between,
    say_link,
    say_occupant,
    say_path,
    say_position,
    say_serial,
)
from laneproof.outputs.text_style import HEADING, Style
from laneproof_collectors.disks.locate import LedKind, LocateLed

_COLUMN = 12
_BLINKS = {LedKind.SLOT: "1 lights the slot's attention indicator, 2 lets it blink"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Finds:
    """Lasting names under ``/dev``, by disk; locate LEDs, by path, None where no machine was asked (a recording)."""

    names: Mapping[str, tuple[str, ...]]
    leds: Mapping[str, tuple[LocateLed, ...]] | None


def write_where(
    asked: str, found: Sequence[Position], finds: Finds, positions: Sequence[ShownPosition], style: Style
) -> str:
    """Write the whole text, with a line end."""
    lines: list[str] = []
    for position in found:
        lines += [*_describe(asked, position, finds, style), ""]
    marks = {position.path: "here" if len(found) == 1 else f"here: {position.known_as}" for position in found}
    lines += draw_tree(positions, marks, style)
    return "\n".join(lines) + "\n"


def _describe(asked: str, position: Position, finds: Finds, style: Style) -> Iterator[str]:
    occupant = position.occupant
    yield from style.wrap_under(position.name, f": {say_occupant(occupant)}", HEADING)
    rows = [
        ("asked for", f"{asked}: {position.known_as}"),
        ("on its label", f"serial number {say_serial(occupant)}" if occupant and occupant.is_drive else ""),
        ("on the board", say_position(position)),
        ("between", say_between(position)),
        ("path", say_path(position)),
        *(("also at", path) for path in (occupant.other_paths if occupant else ())),
        ("link", say_link(position)),
        *(("in use", use) for use in list_uses(position)),
        *(("also called", name) for name in _list_names(position, finds)),
        *_list_lights(position, finds),
    ]
    for word, text in rows:
        if text:
            yield from style.wrap(text, f"  {word:<{_COLUMN}}  ", " " * (_COLUMN + 4))


def _list_names(position: Position, finds: Finds) -> Iterator[str]:
    for disk in position.occupant.disks if position.occupant else ():
        yield f"/dev/{disk}"
        yield from finds.names.get(disk, ())


def _list_lights(position: Position, finds: Finds) -> Iterator[tuple[str, str]]:
    if finds.leds is None or position.occupant is None:
        return
    leds = finds.leds.get(position.path, ())
    for led in leds:
        hint = _BLINKS.get(led.kind, "0 switches it off again")
        yield "light", f"{led.name}: as root, echo 1 > {led.file} ({hint}; laneproof switches nothing)"
    if not leds:
        yield "light", "the kernel offers no locate LED for this position"
