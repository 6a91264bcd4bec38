"""The box as a small tree of text, with the places marked that a person looks for, or must leave alone.

The marks are words, so that nothing depends on colour or on a symbol that a terminal may not have. In a large box only
the way to the marked places and what stands beside them is drawn.
"""

from collections.abc import Iterator, Mapping, Sequence

from laneproof.outputs.audit_text import Style
from laneproof.outputs.inventory import Place

_MOST_ROWS = 40
"""Above this many places only the neighbourhood of the marked ones is drawn."""
_BOLD = "1"


def draw_tree(places: Sequence[Place], marks: Mapping[str, str], style: Style) -> Iterator[str]:
    """Draw the tree, line by line.

    Args:
        places: All places, in the order of their paths.
        marks: What to say beside a place, by path.
        style: How to write.
    """
    shown = list(places) if len(places) <= _MOST_ROWS else _choose(places, marks)
    rows: list[tuple[str, str, str]] = []  # what is drawn, who is in it, its path
    for root in sorted({one.path.split("/")[0] for one in shown}):
        rows.append((f"  {root}", "", root))
        rows += _branch(root, shown, style, before="  ")
    widest = max((len(head) for head, _, _ in rows), default=0)
    longest = max((len(mark) for mark in marks.values()), default=0)
    room = max(style.width - widest - longest - 6, 0)
    for head, who, path in rows:
        mark = marks.get(path)
        if mark is None:
            yield style.cut(f"{head:<{widest}}  {style.cut(who, room)}".rstrip(), style.width)
            continue
        arrow = "◀" if style.unicode else "<-"
        line = f"{head:<{widest}}  {style.cut(who, room)}".rstrip()
        yield style.paint(style.cut(f"{line}  {arrow} {mark}", style.width), _BOLD)
    if len(shown) < len(places):
        yield f"  ({len(places) - len(shown)} more places are not drawn)"


def _choose(places: Sequence[Place], marks: Mapping[str, str]) -> list[Place]:
    parents = {path.rpartition("/")[0] for path in marks}
    return [
        one
        for one in places
        if one.path in marks
        or one.path.rpartition("/")[0] in parents
        or any(path.startswith(f"{one.path}/") for path in marks)
    ]


def _branch(path: str, places: Sequence[Place], style: Style, *, before: str) -> Iterator[tuple[str, str, str]]:
    shown = {one.path for one in places}
    own = [one for one in places if _parent_in(one.path, shown) == path]
    child, last, past = style.branch
    for index, place in enumerate(own):
        is_last = index == len(own) - 1
        name = f"{place.path.removeprefix(f'{path}/')} {place.label or ''}".rstrip()
        yield style.clean(f"{before}{last if is_last else child}{name}"), style.clean(_say_occupant(place)), place.path
        yield from _branch(place.path, places, style, before=before + ("   " if is_last else past))


def _parent_in(path: str, shown: set[str]) -> str:
    """Give the nearest place above that is drawn, else the root."""
    above = path.rpartition("/")[0]
    while "/" in above and above not in shown:
        above = above.rpartition("/")[0]
    return above


def _say_occupant(place: Place) -> str:
    if place.occupant is None:
        return "" if place.has_children else "empty"
    serial = place.occupant.serial
    return f"{place.occupant.name} {serial}" if isinstance(serial, str) else place.occupant.name
