"""Drafting a declaration: a commented file of the machine as it stands, for its owner to correct.

What the machine cannot know is a TODO. A link is drafted as both ends can do it, with a comment where it trained lower,
so that nobody declares a fault to be meant, unseen.
"""

import textwrap
from collections.abc import Iterable, Mapping

import tomlkit
from tomlkit.container import Container
from tomlkit.items import Table

from laneproof.declaration.build import SCHEMA
from laneproof.draft.facts import Draft, Section
from laneproof.draft.positions import DraftedPosition, DraftedSlot, EmptyPort
from laneproof.draft.text_editor import escape, write_value
from laneproof.findings import format_time

_WIDTH = 110
_HEADER = (
    "What this box is meant to be: drafted from the machine as it stood at {time}. Read it through and correct it: only"
    " what stands here is compared, and what you delete is not. Links stand as both ends can do them; where one trained"
    " lower, a comment says so. Each TODO is something that the machine cannot know."
)
_POSITIONS = (
    "TODO in each position: as its label, write what is printed on the board, or stick a label to it; in through, say"
    " what stands between the board's socket and the device, in order: board, passive-split, switch-card, key-adapter,"
    " flexible-cable."
)


def write_draft(draft: Draft) -> str:
    """Write a declaration of the machine as it stands.

    Returns:
        TOML that is a valid declaration. Judged on the same snapshot it holds, but for links that trained lower than
        both ends can.
    """
    document = tomlkit.document()
    _comment(document, _HEADER.format(time=format_time(draft.taken_at)))
    document.add(tomlkit.nl())
    document.add("schema", tomlkit.item(SCHEMA))
    document.add(tomlkit.nl())
    box = tomlkit.table()
    box.add("name", tomlkit.string(draft.box_name))
    box.add("undeclared", tomlkit.string("report"))
    box["undeclared"].comment("report | ignore: drives in no declared position")
    document.add("box", box)
    text = _dump(document)
    for name, section in (("firmware", draft.firmware), ("kernel", draft.kernel), ("memory", draft.memory)):
        text += "\n" + write_section(name, section)
    text += "".join("\n" + write_slot(slot.name, slot) for slot in draft.slots)
    if any(position.label_from is not None or not position.through for position in draft.positions):
        text += "\n" + write_comment(_POSITIONS)
    text += "".join("\n" + write_position(position) for position in draft.positions)
    text += "".join("\n" + write_row("array", section) for section in draft.arrays)
    text += "".join("\n" + write_row("bond", section) for section in draft.bonds)
    text += "".join("\n" + write_row("network", port) for port in draft.networks)
    return text + _write_rest(draft.empty_ports, draft.remarks)


def write_section(name: str, section: Section) -> str:
    """Write a table such as ``[memory]``; comments alone where nothing of it could be read."""
    document = tomlkit.document()
    table = tomlkit.table()
    _fill(table, section.values)
    if section.values:
        _comment(table, *_say_unasked(section), *section.remarks)
        document.add(name, table)
    else:
        _comment(document, *(f"[{name}] {remark}" for remark in section.remarks or ("nothing to declare",)))
    return _dump(document)


def write_row(name: str, section: Section) -> str:
    """Write one ``[[array]]``, ``[[bond]]`` or ``[[network]]``."""
    table = tomlkit.table()
    _fill(table, section.values)
    _comment(table, *section.remarks)
    return _dump_row(name, table)


def write_slot(name: str, slot: DraftedSlot) -> str:
    """Write one split slot."""
    document = tomlkit.document()
    table = tomlkit.table()
    if not slot.named_by_firmware:
        _comment(
            table,
            f"TODO: these {len(slot.ports)} ports are functions of one device, as the branches of a split slot are"
            " (bifurcation). If they are sockets of their own, delete this table, and slot and branch in the positions"
            " below.",
        )
    table.add("path", tomlkit.string(slot.path))
    table.add("lanes", tomlkit.item(sum(slot.split)))
    table.add("split", tomlkit.item(list(slot.split)))
    table.add("bifurcation", tomlkit.item(True))  # noqa: FBT003 (a value): it is split, so the firmware can
    document.add("slot", tomlkit.table(is_super_table=True).add(name, table))
    return _dump(document)


def write_position(position: DraftedPosition) -> str:
    """Write one position with its device."""
    table = tomlkit.table()
    before_through = "path" if position.slot is None else "branch"
    for key, value in position_values(position).items():
        table.add(key, tomlkit.value(write_value(value)))
        if key == "label" and position.label_from is not None:
            table[key].comment(f"TODO: as {position.label_from} calls it" if position.label_from else "TODO: a guess")
        if key == before_through and not position.through:
            _comment(table, 'TODO: through = ["board"]')
        if key == "link" and position.link_remark:
            table[key].comment(_one_line(position.link_remark))
    if position.firmware:
        _comment(table, f"firmware = {write_value(position.firmware)}  in the occupant would show when it changes")
    _comment(table, *position.remarks)
    return _dump_row("position", table)


def position_values(position: DraftedPosition) -> dict[str, object]:
    """Give a drafted position's keys and values in the order of the file."""
    values: dict[str, object] = {"label": position.label, "path": position.path}
    if position.slot is not None:
        values |= {"slot": position.slot, "branch": position.branch}
    if position.through:
        values["through"] = list(position.through)
    return values | {key: value for key, value in (("link", position.link), ("occupant", position.occupant)) if value}


def write_comment(*remarks: str) -> str:
    """Write comments alone."""
    document = tomlkit.document()
    _comment(document, *remarks)
    return _dump(document)


def _write_rest(empty_ports: Iterable[EmptyPort], remarks: Iterable[str]) -> str:
    document = tomlkit.document()
    ports = tuple(empty_ports)
    if ports:
        document.add(tomlkit.nl())
        _comment(document, "Ports with nothing in them. To find out when something is put there, give one a position:")
        for line in (
            "    [[position]]",
            '    label = "..."',
            f'    path = "{ports[0].path}"',
            '    occupant = { kind = "none" }',
        ):
            document.add(tomlkit.comment(line))
        width = max(len(port.path) for port in ports)
        for port in ports:
            document.add(tomlkit.comment(f"  {port.path.ljust(width)}  {port.description}".rstrip()))
    if gaps := tuple(remarks):
        document.add(tomlkit.nl())
        _comment(document, *gaps)
    return _dump(document)


def _say_unasked(section: Section) -> Iterable[str]:
    return (f"{key} = {write_value(value)}  {why}" for key, (value, why) in section.unasked.items())


# --- tomlkit ----------------------------------------------------------------------------------------------------------


def _fill(table: Table, values: Mapping[str, object]) -> None:
    for key, value in values.items():
        table.add(key, tomlkit.item(value))


def _dump(document: Container) -> str:
    return escape(tomlkit.dumps(document))


def _dump_row(name: str, table: Table) -> str:
    rows = tomlkit.aot()
    rows.append(table)
    return _dump(tomlkit.document().add(name, rows))


def _comment(parent: Table | Container, *remarks: str) -> None:
    for remark in remarks:
        for line in textwrap.wrap(_one_line(remark), _WIDTH, break_long_words=False, break_on_hyphens=False):
            parent.add(tomlkit.comment(line))


def _one_line(text: str) -> str:
    # A comment may hold no control character: one read from a hostile device must not end it.
    return "".join(char if char.isprintable() else " " for char in text)
