"""Bringing a declaration up to date: what changed is changed in place, what is new is added, all else stays as written.

A value that is replaced stays in a comment beside the new one. What the machine no longer shows is never taken away: a
part that is missing may be the fault that the declaration is there to find. A limit with a reason is meant, and
stays; so does what the owner deleted or commented out.
"""

import re
from collections.abc import Iterator, Mapping
from dataclasses import replace

from laneproof.box.placement import hangs_on_controller
from laneproof.declaration.build import Build
from laneproof.declaration.file import BuildError, parse_build
from laneproof.declaration.kernel_words import is_aspm_off, parse_bond_mode, parse_level
from laneproof.declaration.key_lines import KeyPath
from laneproof.declaration.tables import (
    DeclaredArray,
    DeclaredBond,
    DeclaredKernel,
    DeclaredNetworkPort,
    DeclaredPosition,
)
from laneproof.declaration.units import is_same_capacity, parse_bytes
from laneproof.draft.answers import rename_members
from laneproof.draft.facts import Draft, Section
from laneproof.draft.file import (
    position_values,
    write_comment,
    write_position,
    write_row,
    write_section,
    write_slot,
)
from laneproof.draft.positions import DraftedPosition, DraftedSlot
from laneproof.draft.text_editor import TextEditor
from laneproof.findings import format_time

_SIZES = ("capacity", "total")
_WORDS = {"level": parse_level, "mode": parse_bond_mode}
_GONE = "nothing was found here on"
_ALSO_COSTS = "pcie_aspm=off also costs AER and native hot plug: better pcie_aspm.policy=performance"
_NOT_THERE = "not on the command line on"


def update_build(previous: str, draft: Draft, *, name: str) -> str:
    """Bring a declaration up to date with the machine.

    Args:
        previous: The declaration as its owner wrote it.
        draft: The machine as it stands.
        name: What to call the file in a sentence.

    Returns:
        The text with its changes; the same text where nothing changed.

    Raises:
        BuildError: `previous` is no valid declaration.
    """
    build = parse_build(previous, name=name)
    draft = _with_owners_names(draft, build)
    editor = TextEditor(previous, day=format_time(draft.taken_at)[:10])
    _update_kernel(editor, build.kernel, draft.kernel)
    _update_values(editor, ("firmware",), draft.firmware.values)
    _update_values(editor, ("memory",), draft.memory.values)
    drafted = {position.path: position for position in draft.positions}
    for at, position in enumerate(build.position):
        if found := drafted.get(position.path):
            _update_position(editor, at, position, found)
        elif _should_be_seen(position, draft) and not editor.is_remarked(("position", at, "path"), _GONE):
            editor.remark(("position", at, "path"), f"{_GONE} {editor.day}")
    for key, rows in _rows(draft):
        for at, row in enumerate(getattr(build, key)):
            _update_row(editor, (key, at), row, rows)
    return _add_what_is_new(editor, build, draft, name=name)


def _rows(draft: Draft) -> tuple[tuple[str, tuple[Section, ...]], ...]:
    return ("array", draft.arrays), ("bond", draft.bonds), ("network", draft.networks)


def _with_owners_names(draft: Draft, build: Build) -> Draft:
    """Call each position what its owner calls it; a new one gets a label, and a slot, that nothing else has."""
    taken = {position.label for position in build.position}
    new_labels: dict[str, str] = {}
    slots = _owners_slots(draft, build)
    positions = []
    for position in draft.positions:
        known = build.position_at(position.path)
        label = known.label if known else _unlike(position.label, taken)
        taken.add(label)
        new_labels[position.label] = label
        slot = slots.get(position.slot) if position.slot else None
        positions.append(replace(position, label=label, slot=slot, branch=position.branch if slot else None))
    drafted_slots = tuple(replace(slot, name=slots[slot.name]) for slot in draft.slots if slot.name in slots)
    return replace(
        draft,
        positions=tuple(positions),
        arrays=rename_members(draft.arrays, new_labels),
        slots=drafted_slots,
    )


def _owners_slots(draft: Draft, build: Build) -> dict[str, str]:
    """Give the owner's name of each drafted slot; one whose positions the owner put in no slot is left out."""
    names = {}
    for slot in draft.slots:
        declared = [position for path in slot.ports if (position := build.position_at(path))]
        if not declared:
            names[slot.name] = _unlike(slot.name, set(build.slot))
        elif name := next((position.slot for position in declared if position.slot), None):
            names[slot.name] = name
    return names


def _unlike(name: str, taken: set[str]) -> str:
    number, other = 1, name
    while other in taken:
        number += 1
        other = f"{name}-{number}"
    return other


def _should_be_seen(position: DeclaredPosition, draft: Draft) -> bool:
    kind = position.occupant.kind if position.occupant else None
    if position.removable:
        return False
    if hangs_on_controller(position.path):
        return kind in ("sata", "usb") and draft.drives_read
    return kind == "nvme" and draft.functions_read


# --- values that changed ----------------------------------------------------------------------------------------------


def _update_values(editor: TextEditor, table: KeyPath, values: Mapping[str, object]) -> None:
    for key, value in values.items():
        path = (*table, key)
        if editor.has(path) and not _is_same(key, editor.value_at(path), value):
            editor.replace(path, value)


def _is_same(key: str, declared: object, found: object) -> bool:
    if key in _SIZES and isinstance(declared, str | int) and isinstance(found, str | int):
        return is_same_capacity(parse_bytes(declared), parse_bytes(found))
    if key in _WORDS:
        return _WORDS[key](declared) == found
    return declared == found


def _update_kernel(editor: TextEditor, declared: DeclaredKernel | None, found: Section) -> None:
    if declared is None:
        return
    words = found.values.get("command_line")
    if declared.command_line and isinstance(words, list):
        missing = [word for word in declared.command_line if word not in words]
        path = ("kernel", "command_line")
        if missing and not editor.is_remarked(path, _NOT_THERE):
            editor.remark(path, f"{_NOT_THERE} {editor.day}: {' '.join(missing)}")
    if any(map(is_aspm_off, declared.command_line)) and not editor.is_remarked(("kernel", "command_line"), _ALSO_COSTS):
        editor.remark(("kernel", "command_line"), _ALSO_COSTS)
    _update_values(editor, ("kernel",), {key: value for key, value in found.values.items() if key != "command_line"})
    release, _ = found.unasked.get("release", (None, ""))
    if declared.release and isinstance(release, str) and not release.startswith(declared.release):
        editor.replace(("kernel", "release"), release)


def _update_position(editor: TextEditor, at: int, declared: DeclaredPosition, found: DraftedPosition) -> None:
    if declared.link is not None and declared.link.because is None and not declared.removable:
        _update_link(editor, ("position", at, "link"), found)
    if declared.occupant is None or declared.occupant.any_of:
        return  # which of those that take turns is here today is nothing to declare
    table = ("position", at, "occupant")
    was_empty = declared.occupant.kind == "none"
    _update_values(editor, table, found.occupant)
    if found.firmware:
        _update_values(editor, table, {"firmware": found.firmware})
    new = {key: value for key, value in found.occupant.items() if not editor.has((*table, key))}
    if was_empty and new:
        editor.insert_after((*table, "kind"), new)


def _update_link(editor: TextEditor, table: KeyPath, found: DraftedPosition) -> None:
    """Change what is declared below what trained or above what both ends can do; a fault stays one."""
    for key, capable in found.link.items():
        declared = editor.value_at((*table, key)) if editor.has((*table, key)) else None
        if isinstance(declared, int) and not found.trained.get(key, capable) <= declared <= capable:
            editor.replace((*table, key), capable)


def _update_row(
    editor: TextEditor,
    table: KeyPath,
    declared: DeclaredArray | DeclaredBond | DeclaredNetworkPort,
    found: tuple[Section, ...],
) -> None:
    """Bring an array, a bond or a network port up to date; members are added, and none is taken away."""
    known = (*getattr(declared, "members", ()), *getattr(declared, "spares", ()))
    for section in found:
        if section.values["name"] != declared.name:
            continue
        for key, value in section.values.items():
            if not isinstance(value, list):
                _update_values(editor, table, {key: value})
            elif editor.has((*table, key)) and (new := [label for label in value if label not in known]):
                editor.append_items((*table, key), new)


# --- what is new ------------------------------------------------------------------------------------------------------


def _add_what_is_new(editor: TextEditor, build: Build, draft: Draft, *, name: str) -> str:
    """Add what was not declared at the end of the file, in the form that its kind has there."""
    positions = [position for position in draft.positions if build.position_at(position.path) is None]
    used_slots = {position.slot for position in positions}
    slots = [slot for slot in draft.slots if slot.name in used_slots and slot.name not in build.slot]
    try:
        return _add(editor.fork(), build, draft, slots, positions, name=name)
    except BuildError:
        # The owner counts the branches otherwise, or wrote the slots in braces: then a position comes without its slot.
        apart = [replace(position, slot=None, branch=None) for position in positions]
        return _add(editor, build, draft, [], apart, name=name)


def _add(  # noqa: PLR0913 (what there is, and what of it to add)
    editor: TextEditor,
    build: Build,
    draft: Draft,
    slots: list[DraftedSlot],
    positions: list[DraftedPosition],
    *,
    name: str,
) -> str:
    new = list(_write_new(editor, build, draft, slots, positions))
    text = editor.finish()
    if new:
        gap = "\n" if text.endswith("\n") else "\n\n"
        text += gap + write_comment(f"Found on {editor.day}, not declared before:") + "\n".join(new)
    parse_build(text, name=name)
    return text


def _write_new(
    editor: TextEditor, build: Build, draft: Draft, slots: list[DraftedSlot], positions: list[DraftedPosition]
) -> Iterator[str]:
    for key, section in (("firmware", draft.firmware), ("kernel", draft.kernel), ("memory", draft.memory)):
        if getattr(build, key) is None and section.values and not _is_commented_out(editor.text, key):
            yield write_section(key, section)
    for slot in slots:
        yield write_slot(slot)
    for position in positions:
        yield from _write_new_row(editor, "position", position_values(position), write_position(position))
    for key, found in _rows(draft):
        names = {declared.name for declared in getattr(build, key)}
        for section in found:
            if section.values["name"] not in names:
                yield from _write_new_row(editor, key, section.values, write_row(key, section))


def _write_new_row(editor: TextEditor, key: str, values: Mapping[str, object], text: str) -> Iterator[str]:
    if editor.is_bracketed((key,)):
        editor.append_items((key,), [values])
    else:
        yield text


def _is_commented_out(text: str, key: str) -> bool:
    return re.search(rf"^\s*#\s*\[{key}\]", text, re.MULTILINE) is not None
