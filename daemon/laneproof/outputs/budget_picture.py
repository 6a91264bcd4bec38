"""The desk check as one picture: the box's lanes from the network on the left to the drives on the right.

Each lane is one stroke, so that a narrow link looks narrow. Lanes of a split slot run through its frame side by side; a
shared link is drawn once and fans out. The picture is SVG with its own style for light and dark, real text, and a title
and description for those who hear it. Nothing depends on colour alone: what does not fit has a mark and words too.
"""

from collections.abc import Iterator
from dataclasses import dataclass

from laneproof.declaration.quoting import list_words
from laneproof.declaration.tables import DeclaredPosition
from laneproof.declaration.units import format_bit_rate, format_bytes, format_rate
from laneproof.desk.check import DeskCheck
from laneproof.desk.links import LinkBudget, SharedLink
from laneproof.desk.network import NetworkBudget
from laneproof.outputs.markup import tag
from laneproof.outputs.svg_picture import clip, draw_lanes, label, rectangle, write_picture

_WIDTH = 960
_TOP, _ROW, _GAP = 86, 58, 16  # the first row's top, a row, the space between groups
_NETWORK_X, _NETWORK_WIDTH = 20, 132
_BOARD_X, _BOARD_WIDTH = 212, 68
_NODE_X, _NODE_WIDTH = 380, 74  # a slot's frame, or the node that a shared link fans out from
_DEVICE_X, _DEVICE_WIDTH = 650, 290
_LINE = 20  # of the problems below the picture
_SATA_LANES = 1

_STYLE = """\
.lp{--ink:#1d2b33;--soft:#5a6b75;--paper:#fbfaf6;--tile:#ffffff;--edge:#b9c4c9;--lane:#0f6a73;--shared:#7a4b9a;\
--bad:#a8201a;--mark:#8a5a00}
@media (prefers-color-scheme:dark){.lp{--ink:#e8eef0;--soft:#a3b4bc;--paper:#12191d;--tile:#1b252b;--edge:#45555e;\
--lane:#5cc8cf;--shared:#c79be6;--bad:#ff8a80;--mark:#f0c060}}
.lp text{font-family:system-ui,sans-serif;font-size:13px;fill:var(--ink)}
.lp .soft{fill:var(--soft);font-size:12px}.lp .head{font-size:18px;font-weight:600}.lp .name{font-weight:600}
.lp .badtext{fill:var(--bad);font-weight:600}.lp .marktext{fill:var(--mark);font-weight:600}
.lp .paper{fill:var(--paper)}.lp .tile{fill:var(--tile);stroke:var(--edge);stroke-width:1}
.lp .board{fill:none;stroke:var(--ink);stroke-width:2}.lp .frame{fill:none;stroke:var(--soft);stroke-dasharray:3 3}
.lp .bad{stroke:var(--bad);stroke-width:2}.lp .empty{stroke-dasharray:5 4;fill:none}
.lp .lane{stroke:var(--lane);stroke-width:1.4;fill:none}.lp .shared{stroke:var(--shared)}
.lp .part{fill:var(--paper);stroke:var(--soft)}"""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Row:
    """One position, and where it stands in the picture."""

    link: LinkBudget
    position: DeclaredPosition
    middle: float


@dataclass(frozen=True, slots=True, kw_only=True)
class _Group:
    """Positions drawn together: of one slot, behind one shared link, or one alone."""

    rows: tuple[_Row, ...]
    slot: str | None = None
    shared: SharedLink | None = None


def draw_budget(checked: DeskCheck) -> str:
    """Draw the picture, a whole SVG document."""
    groups, bottom = _arrange(checked)
    height = round(bottom + 24 + _LINE * (len(checked.problems) + 1))
    troubled = {problem.subject for problem in checked.problems}
    parts = [
        *_heading(checked),
        *_network(checked, bottom),
        rectangle(_BOARD_X, _TOP, _BOARD_WIDTH, bottom - _TOP, "board"),
        label(_BOARD_X + _BOARD_WIDTH / 2, (_TOP + bottom) / 2, "board", anchor="middle"),
    ]
    for group in groups:
        parts += _draw_group(checked, group, troubled)
    for at, problem in enumerate(checked.problems, start=1):
        parts.append(label(20, bottom + 8 + _LINE * at, clip(f"! {problem.says}", 140), "badtext"))
    parts += _draw_legend(height - 14)
    title, description = f"The lanes of {checked.build.box.name}", _describe(checked)
    return write_picture("lp", _WIDTH, height, _STYLE, parts, title=title, description=description)


def _draw_legend(y: float) -> Iterator[str]:
    """Say what each stroke and colour stands for."""
    yield '<g class="legend">'
    for at, (kind, words) in enumerate((("lane", "a lane"), ("lane shared", "a lane that several share"))):
        yield from draw_lanes(20 + at * 130, 44 + at * 130, y - 4, 1, kind=kind)
        yield label(50 + at * 130, y, words, kind="soft")
    yield label(350, y, "the narrowest part", kind="marktext")
    yield label(500, y, "! does not fit", kind="badtext")
    yield label(_WIDTH - 20, y, "rates: at most, payload a second, all busy", anchor="end", kind="soft")
    yield "</g>"


# --- where everything stands ------------------------------------------------------------------------------------------


def _arrange(checked: DeskCheck) -> tuple[list[_Group], float]:
    positions = {position.label: position for position in checked.build.position}
    waiting = list(checked.positions)
    shared_of = {label: link for link in reversed(checked.shared) for label in link.positions}
    groups: list[_Group] = []
    top = float(_TOP)
    while waiting:
        first = waiting[0]
        shared, slot = shared_of.get(first.label), positions[first.label].slot
        together = [
            link
            for link in waiting
            if link is first
            or (shared is not None and shared_of.get(link.label) is shared)
            or (shared is None and slot and positions[link.label].slot == slot and link.label not in shared_of)
        ]
        waiting = [link for link in waiting if link not in together]
        rows = tuple(
            _Row(link=link, position=positions[link.label], middle=top + _ROW * (at + 0.5))
            for at, link in enumerate(together)
        )
        groups.append(_Group(rows=rows, slot=None if shared else slot, shared=shared))
        top += _ROW * len(rows) + _GAP
    return groups, max(top - _GAP, _TOP + _ROW)


def _heading(checked: DeskCheck) -> Iterator[str]:
    yield label(20, 34, clip(_say_verdict(checked), 95), kind="head" if checked.fits else "head badtext")
    if checked.bottleneck is not None:
        narrow = f"narrowest: {checked.bottleneck.part}, {format_rate(checked.bottleneck.bytes_per_second)}"
        yield label(20, 58, clip(narrow, 110), kind="marktext")


def _network(checked: DeskCheck, bottom: float) -> Iterator[str]:
    if not checked.network:
        return
    height = min((bottom - _TOP) / len(checked.network), 70.0)
    narrowest = checked.bottleneck is not None and checked.bottleneck.kind == "network"
    for at, port in enumerate(checked.network):
        top = _TOP + at * height
        middle = top + height / 2 - 3
        yield "<g>" + tag("title", _say_network(port))
        yield from draw_lanes(_NETWORK_X + _NETWORK_WIDTH, _BOARD_X, middle, port.members)
        yield rectangle(_NETWORK_X, top, _NETWORK_WIDTH, height - 6, "tile")
        yield label(_NETWORK_X + 10, middle - 3, clip(port.name, 15), kind="name")
        kind = "marktext" if narrowest else "soft"
        together = format_bit_rate(port.together_bits_per_second)
        yield label(_NETWORK_X + 10, middle + 14, f"{together} in all", kind=kind)
        yield "</g>"


# --- one group --------------------------------------------------------------------------------------------------------


def _draw_group(checked: DeskCheck, group: _Group, troubled: set[str]) -> Iterator[str]:
    top, bottom = group.rows[0].middle - _ROW / 2 + 4, group.rows[-1].middle + _ROW / 2 - 4
    start = float(_BOARD_X + _BOARD_WIDTH)
    if group.shared is not None:
        yield from _draw_shared(
            group.shared,
            top,
            bottom,
            narrowest=checked.bottleneck is not None and checked.bottleneck.part == group.shared.name,
        )
        start = _NODE_X + _NODE_WIDTH
    for row in group.rows:
        is_narrowest = checked.bottleneck is not None and checked.bottleneck.part == row.link.label
        yield from _draw_row(row, start, bad=row.link.label in troubled, narrowest=is_narrowest)
    if group.slot is not None:
        slot = checked.build.slot[group.slot]
        wide = f"x{slot.lanes}" if slot.lanes else ""
        split = "+".join(map(str, slot.split)) if slot.split else "not split"
        kind = "frame bad" if group.slot in troubled else "frame"
        yield rectangle(_NODE_X, top, _NODE_WIDTH, bottom - top, kind)
        name = f"{'! ' if group.slot in troubled else ''}{group.slot} {wide}".rstrip()
        yield label(
            _NODE_X, top - 6, clip(f"{name}: {split}", 40), kind="soft badtext" if group.slot in troubled else "soft"
        )


def _draw_shared(shared: SharedLink, top: float, bottom: float, *, narrowest: bool) -> Iterator[str]:
    middle = (top + bottom) / 2
    wide = f"gen {shared.generation or '?'} x{shared.lanes or '?'}"
    carries = format_rate(shared.payload_bytes_per_second)
    sharers = list_words(list(shared.positions))
    yield "<g>" + tag("title", f"{shared.name}, {wide}, {carries}, shared by {sharers}")
    yield from draw_lanes(_BOARD_X + _BOARD_WIDTH, _NODE_X, middle, shared.lanes or 1, kind="lane shared")
    yield rectangle(_NODE_X, top, _NODE_WIDTH, bottom - top, "tile")
    yield label(_NODE_X + _NODE_WIDTH / 2, middle + 4, clip(shared.name, 10), anchor="middle")
    yield label(_BOARD_X + _BOARD_WIDTH + 6, middle - 16, wide, kind="soft")
    mark = "narrowest: " if narrowest else ""
    kind = "marktext" if narrowest else "soft"
    yield label(
        _BOARD_X + _BOARD_WIDTH + 6, middle + 26, mark + format_rate(shared.payload_bytes_per_second), kind=kind
    )
    yield "</g>"


def _draw_row(row: _Row, start: float, *, bad: bool, narrowest: bool) -> Iterator[str]:
    link, occupant = row.link, row.position.occupant
    empty = link.kind == "none"
    top = row.middle - _ROW / 2 + 4
    yield "<g>" + tag("title", _say_position(link))
    if not empty:
        lanes = link.lanes or (_SATA_LANES if link.payload_bytes_per_second else 0)
        yield from draw_lanes(start, _DEVICE_X, row.middle, lanes)
        if not link.cannot_exist:
            yield from _draw_parts(row, start)
    bad = bad or link.cannot_exist
    kind = "tile" + (" empty" if empty or link.cannot_exist else "") + (" bad" if bad else "")
    yield rectangle(_DEVICE_X, top, _DEVICE_WIDTH, _ROW - 8, kind)
    title = f"{'! ' if bad else ''}{link.label}"
    yield label(_DEVICE_X + 12, row.middle - 4, clip(title, 22), kind="name badtext" if bad else "name")
    yield label(_DEVICE_X + 12, row.middle + 14, clip(_say_occupant(row.position, link), 44), kind="soft")
    if not empty and link.payload_bytes_per_second is not None:
        said = f"{'narrowest ' if narrowest else ''}{format_rate(link.all_busy_bytes_per_second)}"
        end = _DEVICE_X + _DEVICE_WIDTH - 12
        yield label(end, row.middle - 4, said, anchor="end", kind="marktext" if narrowest else None)
    if link.cannot_exist:
        yield label(_DEVICE_X - 8, row.middle + 4, "! no lanes", anchor="end", kind="badtext")
    if occupant and not empty and link.generation:
        yield label(_DEVICE_X - 8, row.middle - 10, f"gen {link.generation} x{link.lanes}", anchor="end", kind="soft")
    yield "</g>"


def _draw_parts(row: _Row, start: float) -> Iterator[str]:
    """Draw what stands between as beads on the lanes."""
    shown = [part for part in row.position.through if part.kind not in ("board", "switch-card", "passive-split")]
    x = max(start, float(_NODE_X + _NODE_WIDTH)) + 12
    for part in shown:
        words = part.kind.replace("-", " ")
        width = 7 * len(words) + 10
        yield rectangle(x, row.middle + 5, width, 18, "part")
        yield label(x + width / 2, row.middle + 18, words, anchor="middle", kind="soft")
        x += width + 6


# --- words ------------------------------------------------------------------------------------------------------------


def _describe(checked: DeskCheck) -> str:
    said = [f"{_say_verdict(checked)}."]
    if checked.bottleneck is not None:
        said.append(f"Narrowest part: {checked.bottleneck.part}: {checked.bottleneck.says}.")
    said += [f"{problem.says}." for problem in checked.problems]
    said += [f"{_say_position(link)}." for link in checked.positions]
    said += [f"{_say_network(port)}." for port in checked.network]
    return " ".join(said)


def _say_verdict(checked: DeskCheck) -> str:
    count = len(checked.problems)
    if count:
        return f"{checked.build.box.name} does not fit: {count} {'problem' if count == 1 else 'problems'}"
    conditions = f" if {list_words(list(checked.conditions))}" if checked.conditions else ""
    return f"{checked.build.box.name} fits{conditions}"


def _say_position(link: LinkBudget) -> str:
    if link.kind == "none":
        return f"{link.label} is meant to be empty"
    if link.cannot_exist:
        return f"{link.label} cannot exist: nothing makes its branch"
    if link.payload_bytes_per_second is None:
        return f"{link.label} has no ceiling: its link is not declared"
    wide = f" over generation {link.generation} x{link.lanes}" if link.generation else ""
    alone, busy = format_rate(link.payload_bytes_per_second), format_rate(link.all_busy_bytes_per_second)
    return f"{link.label} gets {alone}{wide}" + ("" if alone == busy else f", {busy} with all busy")


def _say_network(port: NetworkBudget) -> str:
    together, one_flow = format_bit_rate(port.together_bits_per_second), format_bit_rate(port.one_flow_bits_per_second)
    return f"{port.name} carries {together} in all, {one_flow} in one flow"


def _say_occupant(position: DeclaredPosition, link: LinkBudget) -> str:
    occupant = position.occupant
    if occupant is None:
        return "not declared"
    if occupant.kind == "none":
        return "meant to be empty"
    words = [link.kind, format_bytes(occupant.capacity) if occupant.capacity else None, occupant.role, occupant.model]
    return " ".join(word for word in words if word)
