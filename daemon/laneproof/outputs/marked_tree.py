"""The box as a small tree of text, with the positions marked that a person looks for, or must leave alone.

The marks are words, so that nothing depends on colour or on a symbol that a terminal may not have. In a large box only
the way to the marked positions and what stands beside them is drawn. A serial number is never cut: it tells drives
apart by its end.
"""

from collections.abc import Iterator, Mapping, Sequence

from laneproof.box.shown_positions import ShownPosition, arrange_tree
from laneproof.outputs.text_style import Style

_MOST_ROWS = 40
"""Above this many positions only the neighbourhood of the marked ones is drawn."""
_BOLD = "1"
_LINES = " ├─└│|`-"  # what a row's head begins with


def draw_tree(positions: Sequence[ShownPosition], marks: Mapping[str, str], style: Style) -> Iterator[str]:
    """Draw the tree, line by line; `marks` is what to say beside a position, by path."""
    shown = list(positions) if len(positions) <= _MOST_ROWS else _choose(positions, marks)
    tree = arrange_tree(shown)
    rows: list[tuple[str, str, str]] = []  # what is drawn, who is in it, its path
    for root in (path for path in tree if "/" not in path):
        rows.append((f"  {root}", "", root))
        rows += [
            (head, style.clean(_say_occupant(position)), position.path)
            for head, _, position in walk_tree(root, tree, style, before="  ")
        ]
    widest = max((len(head) for head, _, _ in rows), default=0)
    longest = max((len(who) for _, who, _ in rows), default=0)
    ends = {path: f"  {'◀' if style.unicode else '<-'} {style.clean(mark)}" for path, mark in marks.items()}
    is_roomy = widest + 2 + longest + max(map(len, ends.values()), default=0) <= style.width
    for head, who, path in rows:
        if is_roomy:
            line = f"{head:<{widest}}  {who}".rstrip() + ends.get(path, "")
            yield style.paint(line, _BOLD) if path in ends else line
        else:
            yield from _stack(head, who, ends.get(path), style)
    if len(shown) < len(positions):
        yield f"  ({len(positions) - len(shown)} more positions are not drawn)"


def _stack(head: str, who: str, end: str | None, style: Style) -> Iterator[str]:
    """Give what is in a position, and its mark, lines of their own."""
    below = " " * (len(head) - len(head.lstrip(_LINES)))
    yield style.cut(head, style.width)
    for text in (who, (end or "").strip()):
        for line in style.wrap(text, f"{below}  ", f"{below}  "):
            yield style.paint(line, _BOLD) if end else line


def _choose(positions: Sequence[ShownPosition], marks: Mapping[str, str]) -> list[ShownPosition]:
    parents = {path.rpartition("/")[0] for path in marks}
    return [
        position
        for position in positions
        if position.path in marks
        or position.path.rpartition("/")[0] in parents
        or any(path.startswith(f"{position.path}/") for path in marks)
    ]


def walk_tree(
    path: str, tree: Mapping[str, Sequence[ShownPosition]], style: Style, *, before: str
) -> Iterator[tuple[str, str, ShownPosition]]:
    """Give what is below a path: how its line begins, what begins a second line under it, and the position."""
    own = tree.get(path, ())
    child, last, past = style.branch
    for number, position in enumerate(own, start=1):
        is_last = number == len(own)
        name = f"{position.path.removeprefix(f'{path}/')} {position.label or ''}"
        below = before + ("   " if is_last else past)
        yield style.clean(f"{before}{last if is_last else child}{name}").rstrip(), below, position
        yield from walk_tree(position.path, tree, style, before=below)


def _say_occupant(position: ShownPosition) -> str:
    if position.occupant is None:
        return "" if position.has_children else "empty"
    serial = position.occupant.serial
    return f"{position.occupant.name} {serial}" if isinstance(serial, str) else position.occupant.name
