"""The box as it stands in one picture, with the positions marked that a person looks for, or must not touch.

The host bridge is the spine on the left; each position is a row that hangs on it, or on the port that it is behind, by
as many strokes as lanes trained, and by a dotted line where none did. A mark has a shape, a pattern and words of its
own, so that nothing depends on colour, and a legend says what each stroke and colour stands for. The picture is SVG
with its own style for light and dark, real text, and a title and description for those who hear it.
"""

from collections.abc import Iterator, Mapping, Sequence
from enum import StrEnum

from laneproof.box.shown_positions import ShownPosition, arrange_tree, list_positions
from laneproof.declaration.build import Build
from laneproof.outputs.audit_json import name_box
from laneproof.outputs.markup import tag
from laneproof.outputs.position_words import say_occupant
from laneproof.outputs.svg_picture import clip, draw_lanes, label, rectangle, write_picture
from laneproof_collectors.snapshot import Snapshot

_WIDTH, _FOOT = 960, 40
_TOP, _ROW, _TILE = 76, 52, 40  # the first row's top, from row to row, a tile's height
_SPINE_X, _INDENT, _STEM = 28, 70, 44  # the spine, how much further in each depth is, how long the lanes are
_TILE_END = 700  # where tiles end; what a mark says stands to the right of it
_MOST_LANES = 16


class Mark(StrEnum):
    """What a position is marked as."""

    HERE = "here"
    KEEP = "do not touch"


_STYLE = """\
.bp{--ink:#1d2b33;--soft:#5a6b75;--paper:#fbfaf6;--tile:#ffffff;--edge:#b9c4c9;--lane:#0f6a73;--here:#0b5fa5;\
--keep:#a8201a}
@media (prefers-color-scheme:dark){.bp{--ink:#e8eef0;--soft:#a3b4bc;--paper:#12191d;--tile:#1b252b;--edge:#45555e;\
--lane:#5cc8cf;--here:#7cc0ff;--keep:#ff8a80}}
.bp text{font-family:system-ui,sans-serif;font-size:13px;fill:var(--ink)}
.bp .head{font-size:18px;font-weight:600}.bp .name{font-weight:600}.bp .soft{fill:var(--soft);font-size:12px}
.bp .paper{fill:var(--paper)}.bp .tile{fill:var(--tile);stroke:var(--edge)}.bp .empty{stroke-dasharray:5 4;fill:none}
.bp .spine{stroke:var(--ink);stroke-width:4;stroke-linecap:round}.bp .trunk{stroke:var(--soft);stroke-width:2}
.bp .lane{stroke:var(--lane);stroke-width:1.4}.bp .none{stroke:var(--edge);stroke-dasharray:2 4}
.bp .here{fill:none;stroke:var(--here);stroke-width:4}.bp .point{fill:var(--here)}.bp .heretext{fill:var(--here)}
.bp .keep{fill:none;stroke:var(--keep);stroke-width:2}.bp .keeptext{fill:var(--keep)}
.bp .heretext,.bp .keeptext{font-weight:700;font-size:14px}
.bp .hatch{stroke:var(--keep);stroke-width:1.2;opacity:.3}"""

_HATCH = """\
<defs><pattern id="bp-hatch" width="8" height="8" patternUnits="userSpaceOnUse">\
<path class="hatch" d="M0 8L8 0"/></pattern></defs>"""


def draw_box(build: Build | None, snapshot: Snapshot, marks: Mapping[str, Mark]) -> str:
    """Draw a whole SVG document; `build` gives labels and what is empty, `marks` what to mark, by path."""
    positions = list_positions(build, snapshot)
    title = _say_title(name_box(build, snapshot), positions, marks)
    height = _TOP + _ROW * max(len(positions), 1) + _FOOT
    rows = {position.path: _TOP + _ROW * number for number, position in enumerate(positions)}
    parts = (
        _HATCH,
        label(_SPINE_X - 8, 34, title, "head"),
        *_draw_spines(positions, rows),
        *(line for position in positions for line in _draw_position(position, rows, marks.get(position.path))),
        *_draw_legend(height - _FOOT / 2 + 4),
    )
    return write_picture("bp", _WIDTH, height, _STYLE, parts, title=title, description=_describe(positions, marks))


def _say_title(box: str, positions: Sequence[ShownPosition], marks: Mapping[str, Mark]) -> str:
    here = [position.label or position.path for position in positions if marks.get(position.path) is Mark.HERE]
    return f"{box}: {', '.join(here) or 'all positions'}"


def _describe(positions: Sequence[ShownPosition], marks: Mapping[str, Mark]) -> str:
    sentences = []
    for position in positions:
        mark = f", marked: {marks[position.path]}" if position.path in marks else ""
        sentences.append(f"{position.label or 'undeclared'} at {position.path}: {_say_who(position)}{mark}.")
    return " ".join(sentences) or "No drive, and no declared position."


def _say_who(position: ShownPosition) -> str:
    if position.occupant is None and position.has_children:
        return "a port with more below"
    return say_occupant(position.occupant)


# --- drawing ----------------------------------------------------------------------------------------------------------


def _depth(path: str, rows: Mapping[str, int]) -> int:
    """Count the positions above this one that are drawn, the host bridge included."""
    hops = path.split("/")
    return 1 + sum("/".join(hops[:count]) in rows for count in range(2, len(hops)))


def _draw_spines(positions: Sequence[ShownPosition], rows: Mapping[str, int]) -> Iterator[str]:
    """Draw the host bridges' spines, and the trunk below each port that has more positions behind it."""
    for above, below in arrange_tree(positions).items():
        tops = [rows[position.path] for position in below]
        is_root = above not in rows
        x = _SPINE_X if is_root else _tile_start(above, rows) + _INDENT - _STEM
        start = tops[0] - 14 if is_root else rows[above] + _TILE
        yield f'<path class="{"spine" if is_root else "trunk"}" d="M{x} {start}V{tops[-1] + _TILE / 2:g}"/>'
        if is_root:
            yield label(x - 8, start - 6, above, "soft")


def _tile_start(path: str, rows: Mapping[str, int]) -> int:
    return _SPINE_X + _STEM + _INDENT * (_depth(path, rows) - 1)


def _draw_position(position: ShownPosition, rows: Mapping[str, int], mark: Mark | None) -> Iterator[str]:
    start, top = _tile_start(position.path, rows), rows[position.path]
    middle = top + _TILE / 2
    trained, hop = position.trained, position.path.rpartition("/")[2]
    yield "<g>" + tag("title", f"{position.label or position.path}: {_say_who(position)}")
    lanes = min((trained and trained.lanes) or 0, _MOST_LANES)
    yield from draw_lanes(start - _STEM, start, middle, lanes)
    if not lanes:
        yield f'<path class="none" d="M{start - _STEM} {middle:g}H{start}"/>'
    kind = "tile empty" if position.occupant is None and not position.has_children else "tile"
    tile = start, top, _TILE_END - start, _TILE
    yield rectangle(*tile, kind)
    if mark is Mark.KEEP:
        yield rectangle(*tile, "keep", style="fill:url(#bp-hatch)")
    if mark is Mark.HERE:
        yield rectangle(*tile, "here")
        yield f'<path class="point" d="M{_TILE_END + 8} {middle:g}l18 -11v22z"/>'
    yield label(start + 12, top + 17, clip(position.label or hop, 34), "name")
    yield label(start + 12, top + 33, clip(_say_who(position), 44), "soft")
    link = str(trained) if trained else ("" if position.has_children else "no link")
    beside = "   ".join(filter(None, (hop if position.label else "", link)))
    yield label(_TILE_END - 12, top + 17, beside, "soft", anchor="end")
    if position.occupant is not None and isinstance(position.occupant.serial, str):
        yield label(_TILE_END - 12, top + 33, f"serial {position.occupant.serial}", "soft", anchor="end")
    if mark is not None:
        yield label(_TILE_END + 34, middle + 5, str(mark), f"{'here' if mark is Mark.HERE else 'keep'}text")
    yield "</g>"


def _draw_legend(y: float) -> Iterator[str]:
    """Say what each stroke and each kind of tile stands for."""
    samples = (
        (f'<path class="lane" d="M0 {y - 7:g}h30M0 {y - 2:g}h30"/>', "a stroke is a lane that trained"),
        (f'<path class="none" d="M0 {y - 4:g}h30"/>', "no link"),
        (f'<rect class="tile empty" y="{y - 12:g}" width="30" height="16" rx="4"/>', "an empty position"),
    )
    for number, (sample, words) in enumerate(samples):
        x = _SPINE_X + number * 270
        yield f'<g class="legend" transform="translate({x} 0)">{sample}{label(38, y, words, "soft")}</g>'
