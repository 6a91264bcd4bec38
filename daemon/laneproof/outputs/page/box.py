"""The rest of the box on the page: arrays, network, board and firmware, the declaration's state, the watch itself."""

from collections.abc import Callable, Mapping, Sequence

from laneproof.declaration.build import Build
from laneproof.outputs.markup import Markup, tag
from laneproof.outputs.page.words import show_time
from laneproof_collectors.snapshot import Array, Bond, Interface, Snapshot
from laneproof_collectors.unread import Unread

_GAP = "unverified"
_Column = tuple[str, Callable[..., str]]


def write_declaration(build: Build | None, problem: str | None) -> Markup | None:
    """Say what is wrong about the declaration's file; None where it is in force."""
    if problem is not None:
        stays = "The one before stays in force." if build else "None is in force."
        lines = [tag("li", line) for line in problem.splitlines()]
        says = tag("p", tag("b", "The declaration was not loaded. "), stays)
        return tag("section", says, tag("ul", *lines), class_="notice", role="alert")
    if build is None:
        first = "There is no declaration, so only what needs none is judged. "
        return tag("section", tag("p", first, tag("code", "laneproof draft"), " writes a first one."), class_="notice")
    return None


def write_overdue(overdue: Mapping[str, float]) -> Markup | None:
    """Say which collectors stay away; None where none does."""
    if not overdue:
        return None
    items = [
        tag("li", f"{group.replace('_', ' ')}: no answer for {seconds:.0f} s")
        for group, seconds in sorted(overdue.items())
    ]
    says = tag("p", tag("b", "Some readings hang. "), "What they would tell is unverified; the rest is watched on.")
    return tag("section", says, tag("ul", *items), class_="notice", role="alert")


def write_arrays(snapshot: Snapshot) -> Markup | None:
    """Write a table of arrays; None where there is none."""
    return _table("Arrays", snapshot.arrays, (
        ("Array", lambda one: one.name),
        ("Level", lambda one: _say(one.level)),
        ("State", _array_state),
        ("Lacking", lambda one: _lacking(one.degraded)),
        ("Running", _array_action),
    ))  # fmt: skip


def write_network(snapshot: Snapshot) -> tuple[Markup | None, Markup | None]:
    """Write tables of network ports and of bonds; None for what is not there."""
    ports = _table("Network ports", snapshot.interfaces, (
        ("Port", lambda one: one.name),
        ("State", lambda one: _say(one.operational_state)),
        ("Speed", _speed),
        ("Link changes", lambda one: _say(one.carrier_changes)),
    ))  # fmt: skip
    bonds = _table("Bonds", snapshot.bonds, (
        ("Bond", lambda one: one.name),
        ("Mode", lambda one: _say(one.mode)),
        ("Carrying", _carrying),
    ))  # fmt: skip
    return ports, bonds


def write_machine(snapshot: Snapshot) -> Markup:
    """Write board, firmware, kernel and the time of the readings."""
    facts: list[tuple[str, str | Markup]] = []
    firmware = snapshot.firmware
    if not isinstance(firmware, Unread):
        board = " ".join(one for one in (firmware.board_vendor, firmware.board_name) if isinstance(one, str))
        bios = " of ".join(one for one in (firmware.bios_version, firmware.bios_date) if isinstance(one, str))
        facts += [("Board", board or _GAP), ("Firmware", bios or _GAP), ("Kernel", _say(firmware.kernel_release))]
    facts.append(("Read", show_time(snapshot.taken_at)))
    facts.append(("Up for", _duration(snapshot.up_seconds)))
    rows = [tag("div", tag("dt", name), tag("dd", value)) for name, value in facts]
    heading = tag("h2", "The machine", id="machine")
    return tag("section", heading, tag("dl", *rows, class_="facts"), aria_labelledby="machine")


def _table(title: str, rows: Sequence[object] | Unread, columns: tuple[_Column, ...]) -> Markup | None:
    name = title.rsplit(maxsplit=1)[-1].lower()
    heading = tag("h2", title, id=name)
    if isinstance(rows, Unread):
        return tag("section", heading, tag("p", str(rows)), aria_labelledby=name)
    if not rows:
        return None
    head = tag("tr", *(tag("th", column, scope="col", role="columnheader") for column, _ in columns), role="row")
    body = [_row(one, columns) for one in rows]
    table = tag(
        "table",
        tag("thead", head, role="rowgroup"),
        tag("tbody", *body, role="rowgroup"),
        role="table",
        aria_labelledby=name,
    )
    return tag("section", heading, tag("div", table, class_="wide"), aria_labelledby=name)


def _row(one: object, columns: tuple[_Column, ...]) -> Markup:
    (title, say), *others = columns
    first = tag("th", say(one), scope="row", role="rowheader", data_label=title)
    cells = [tag("td", words(one), role="cell", data_label=name) for name, words in others]
    return tag("tr", first, *cells, role="row")


def _say(value: object) -> str:
    if isinstance(value, Unread):
        return _GAP
    return "not told" if value is None else str(value)


def _lacking(value: int | Unread | None) -> str:
    return "none" if value == 0 else _say(value)


def _array_state(array: Array) -> str:
    wanted = array.members_wanted
    of = f" of {wanted}" if isinstance(wanted, int) else ""
    return f"{_say(array.state)}, {len(array.members)}{of} members"


def _array_action(array: Array) -> str:
    if not isinstance(array.sync_action, str) or array.sync_action == "idle":
        return "nothing" if array.sync_action in (None, "idle") else _GAP
    done = array.sync_completed
    return f"{array.sync_action}, {done:.0%}" if isinstance(done, float) else array.sync_action


def _speed(port: Interface) -> str:
    return f"{port.speed_mbit_s} Mbit/s" if isinstance(port.speed_mbit_s, int) else _say(port.speed_mbit_s)


def _carrying(bond: Bond) -> str:
    return f"{_say(bond.aggregated_ports)} of {len(bond.members)} members"


def _duration(seconds: float) -> str:
    minutes = int(seconds) // 60
    days, hours = minutes // 1440, minutes // 60 % 24
    return f"{days} d {hours} h" if days else f"{hours} h {minutes % 60} min"
