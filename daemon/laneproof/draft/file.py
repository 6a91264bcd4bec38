"""Drafting a declaration: a commented file of the machine as it stands, for its owner to correct.

What the machine cannot know is a TODO. A link is drafted as both ends can do it, with a comment where it trained lower,
so that nobody declares a fault to be meant, unseen.
"""

import textwrap
from collections.abc import Mapping, Sequence

from laneproof.declaration.build import SCHEMA
from laneproof.draft.facts import Draft, Section
from laneproof.draft.positions import DraftedPosition, DraftedSlot, EmptyPort
from laneproof.draft.text_editor import write_pair, write_value
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
    text = write_comment(_HEADER.format(time=format_time(draft.taken_at)))
    text += f"\nschema = {SCHEMA}\n\n[box]\nname = {write_value(draft.box_name)}\n"
    text += 'undeclared = "report" # report | ignore: drives in no declared position\n'
    for name, section in (("firmware", draft.firmware), ("kernel", draft.kernel), ("memory", draft.memory)):
        text += "\n" + write_section(name, section)
    text += "".join("\n" + write_slot(slot) for slot in draft.slots)
    if any(position.label_from is not None or not position.through for position in draft.positions):
        text += "\n" + write_comment(_POSITIONS)
    text += "".join("\n" + write_position(position) for position in draft.positions)
    for name, rows in (("array", draft.arrays), ("bond", draft.bonds), ("network", draft.networks)):
        text += "".join("\n" + write_row(name, row) for row in rows)
    return text + _write_rest(draft.empty_ports, draft.remarks)


def write_section(name: str, section: Section) -> str:
    """Write a table such as ``[memory]``; comments alone where nothing of it could be read."""
    if not section.values:
        return write_comment(*(f"[{name}] {remark}" for remark in section.remarks or ("nothing to declare",)))
    unasked = (f"{write_pair(key, value)}  {why}" for key, (value, why) in section.unasked.items())
    return f"[{name}]\n{_write_pairs(section.values)}{write_comment(*unasked, *section.remarks)}"


def write_row(name: str, section: Section) -> str:
    """Write one ``[[array]]``, ``[[bond]]`` or ``[[network]]``."""
    return f"[[{name}]]\n{_write_pairs(section.values)}{write_comment(*section.remarks)}"


def write_slot(slot: DraftedSlot) -> str:
    """Write one split slot."""
    doubt = (
        f"TODO: these {len(slot.ports)} ports are functions of one device, as the branches of a split slot are"
        " (bifurcation). If they are sockets of their own, delete this table, and slot and branch in the positions"
        " below."
    )
    values = {"path": slot.path, "lanes": sum(slot.split), "split": slot.split, "bifurcation": True}
    comment = "" if slot.named_by_firmware else write_comment(doubt)
    return f"[slot.{slot.name}]\n{comment}{_write_pairs(values)}"


def write_position(position: DraftedPosition) -> str:
    """Write one position with its device."""
    text = "[[position]]\n"
    before_through = "path" if position.slot is None else "branch"
    for key, value in position_values(position).items():
        remark = position.link_remark if key == "link" else ""
        if key == "label" and position.label_from is not None:
            remark = f"TODO: as {position.label_from} calls it" if position.label_from else "TODO: a guess"
        text += f"{write_pair(key, value)}{f' # {_one_line(remark)}' if remark else ''}\n"
        if key == before_through and not position.through:
            text += write_comment('TODO: through = ["board"]')
    if position.firmware:
        text += write_comment(
            f"firmware = {write_value(position.firmware)}  in the occupant would show when it changes"
        )
    return text + write_comment(*position.remarks)


def position_values(position: DraftedPosition) -> dict[str, object]:
    """Give a drafted position's keys and values in the order of the file."""
    values: dict[str, object] = {"label": position.label, "path": position.path}
    if position.slot is not None:
        values |= {"slot": position.slot, "branch": position.branch}
    if position.through:
        values["through"] = list(position.through)
    return values | {key: value for key, value in (("link", position.link), ("occupant", position.occupant)) if value}


def _write_pairs(values: Mapping[str, object]) -> str:
    return "".join(f"{write_pair(key, value)}\n" for key, value in values.items())


def write_comment(*remarks: str) -> str:
    """Write comments alone."""
    return "".join(
        f"# {line}\n"
        for remark in remarks
        for line in textwrap.wrap(_one_line(remark), _WIDTH, break_long_words=False, break_on_hyphens=False)
    )


def _one_line(text: str) -> str:
    # A comment may hold no control character: one read from a hostile device must not end it.
    return "".join(char if char.isprintable() else " " for char in text)


def _write_rest(ports: Sequence[EmptyPort], remarks: Sequence[str]) -> str:
    text = ""
    if ports:
        text += "\n" + write_comment(
            "Ports with nothing in them. To find out when something is put there, give one a position:"
        )
        position = f'[[position]]\nlabel = "..."\npath = "{ports[0].path}"\noccupant = {{ kind = "none" }}\n'
        text += textwrap.indent(position, "#     ")
        width = max(len(port.path) for port in ports)
        text += "".join(f"#   {port.path.ljust(width)}  {port.description}".rstrip() + "\n" for port in ports)
    return text + (f"\n{write_comment(*remarks)}" if remarks else "")
