"""The rest of the box on the page: arrays, network, board and firmware, the declaration's state, the watch itself."""

from collections.abc import Callable, Mapping, Sequence
from typing import TypeGuard

from laneproof.declaration.build import Build
from laneproof.outputs.markup import Markup, tag, write_section
from laneproof.outputs.page.tables import Cell, Row, write_table
from laneproof.outputs.page.words import show_time
from laneproof_collectors.snapshot import Array, Bond, Interface, Snapshot
from laneproof_collectors.unread import Unread

_GAP = "unverified"


def write_declaration(build: Build | None, problem: str | None) -> Markup | None:
    """Say what is wrong about the declaration's file; None where it is in force."""
    if problem is not None:
        stays = "The last good one stays in force." if build else "None is in force."
        lines = [tag("li", line) for line in problem.splitlines()]
        says = tag("p", tag("b", "The declaration was not loaded. "), stays)
        return tag("section", says, tag("ul", *lines), class_="message", role="alert")
    if build is None:
        first = "There is no declaration, so only what needs none is judged. "
        return tag("section", tag("p", first, tag("code", "laneproof draft"), " writes a first one."), class_="message")
    return None


def write_overdue(overdue: Mapping[str, float]) -> Markup | None:
    """Say which readings are overdue; None where none is."""
    if not overdue:
        return None
    items = [
        tag("li", f"{group.replace('_', ' ')}: no answer for {seconds:.0f} s")
        for group, seconds in sorted(overdue.items())
    ]
    says = tag("p", tag("b", "Some readings hang. "), "What depends on them is unverified; the rest is still watched.")
    return tag("section", says, tag("ul", *items), class_="message", role="alert")


def write_arrays(snapshot: Snapshot) -> Markup | None:
    """Write a table of arrays; None where there is none."""
    return _write_group("Arrays", snapshot.arrays, (
        ("Array", lambda array: array.name),
        ("Level", lambda array: _say(array.level)),
        ("State", _array_state),
        ("Missing", lambda array: "none" if array.degraded == 0 else _say(array.degraded)),
        ("Running", _array_action),
    ))  # fmt: skip


def write_network(snapshot: Snapshot) -> tuple[Markup | None, Markup | None]:
    """Write tables of network ports and of bonds; None for what is not there."""
    ports = _write_group("Network ports", snapshot.interfaces, (
        ("Port", lambda port: port.name),
        ("State", lambda port: _say(port.operational_state)),
        ("Speed", _speed),
        ("Link changes", lambda port: _say(port.carrier_changes)),
    ))  # fmt: skip
    bonds = _write_group("Bonds", snapshot.bonds, (
        ("Bond", lambda bond: bond.name),
        ("Mode", lambda bond: _say(bond.mode)),
        ("Carrying", _carrying),
    ))  # fmt: skip
    return ports, bonds


def write_machine(snapshot: Snapshot) -> Markup:
    """Write board, firmware, kernel and the time of the readings."""
    facts: list[tuple[str, str | Markup]] = []
    firmware = snapshot.firmware
    if not isinstance(firmware, Unread):
        board = " ".join(filter(_is_text, (firmware.board_vendor, firmware.board_name)))
        bios = " of ".join(filter(_is_text, (firmware.bios_version, firmware.bios_date)))
        facts += [("Board", board or _GAP), ("Firmware", bios or _GAP), ("Kernel", _say(firmware.kernel_release))]
    facts.append(("Read", show_time(snapshot.taken_at)))
    facts.append(("Up for", _duration(snapshot.up_seconds)))
    rows = [tag("div", tag("dt", name), tag("dd", value)) for name, value in facts]
    return write_section("The machine", tag("dl", *rows, class_="facts"), name="machine")


def _write_group(
    title: str, rows: Sequence[Row] | Unread, columns: Sequence[tuple[str, Callable[[Row], Cell]]]
) -> Markup | None:
    """Write a table of what was read; why, where it could not be; None where there is nothing."""
    if isinstance(rows, Unread):
        return write_section(title, tag("p", str(rows)), name=title.rsplit(maxsplit=1)[-1].lower())
    return write_table(title, rows, columns) if rows else None


def _is_text(value: object) -> TypeGuard[str]:
    return isinstance(value, str)


def _say(value: object) -> str:
    if isinstance(value, Unread):
        return _GAP
    return "not reported" if value is None else str(value)


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
