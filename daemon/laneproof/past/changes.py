"""What changed on the machine and in its declaration, with when: the first question after any trouble is what did.

Each value is compared with the last one known of it, at every pass and also over an absence: a drive that was away for
a month and comes back elsewhere has moved. What differs between two whole inventories, for a person to read, is worked
out in `laneproof.changes`, for which that drive is a new one.
"""

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace

from laneproof.box.idle_states import IdleStates
from laneproof.box.link_rates import describe_rate
from laneproof.box.occupants import Occupant
from laneproof.declaration.build import Build
from laneproof.declaration.tables import DeclaredPosition
from laneproof.past.boots import Boot
from laneproof.past.drives import key_of
from laneproof.past.notes import Note

_MOST_CHANGES = 300


@dataclass(frozen=True, slots=True, kw_only=True)
class NotedChange:
    """One change, noted when it was first seen."""

    at: float  # when it was first seen, ledger time
    what: str  # kernel, bios, drive-firmware, moved, occupant, idle-states, link-cap, parts
    before: str
    after: str
    path: str | None = None  # the position that it is about, None where it is about the box
    serial: str | None = None  # the drive that it is about, None where it is about none

    def describe(self) -> str:
        """Say it in a clause."""
        if self.before == _AS_IT_WAS:
            return f"your note: {self.after}"
        return f"{_WORDS.get(self.what, self.what)} changed from {self.before} to {self.after}"


_AS_IT_WAS = "as it was"  # the value before, in a change that only a note of the owner reports

_WORDS = {
    "kernel": "the kernel",
    "bios": "the board's firmware",
    "drive-firmware": "the drive's firmware",
    "moved": "the drive's position",
    "occupant": "the drive in this position",
    "idle-states": "idle states",
    "link-cap": "the link's limit",
    "parts": "what stands between",
}

UPDATES = ("kernel", "bios", "drive-firmware")
"""Kinds of change that are updates of software."""


@dataclass(slots=True, kw_only=True)
class ChangeBook:
    """The changes, oldest first, and the values that the next pass is compared with."""

    changes: list[NotedChange] = field(default_factory=list)
    last: dict[str, str] = field(default_factory=dict)  # the last known value by what it is of

    def note(  # noqa: PLR0913 (what a change is)
        self,
        what: str,
        value: str | None,
        *,
        at: float,
        path: str | None = None,
        serial: str | None = None,
        key: str = "",
    ) -> NotedChange | None:
        """Compare a value with the last known one, and keep the change where there is one.

        A value of None is not known, which is no change. The key sets it apart from others of its kind, where path and
        serial number do not.
        """
        if value is None:
            return None
        name = f"{what}|{key or path or ''}|{'' if path else serial or ''}"
        before = self.last.get(name)
        self.last[name] = value
        if before is None or before == value:
            return None
        change = NotedChange(at=at, what=what, before=before, after=value, path=path, serial=serial)
        self.add(change)
        return change

    def add(self, change: NotedChange) -> None:
        """Keep a change; the oldest are forgotten."""
        self.changes.append(change)
        del self.changes[:-_MOST_CHANGES]

    def concerning(self, path: str | None, serial: str | None) -> Iterator[NotedChange]:
        """Give the changes that bear on a position or a drive: its own, and those of the whole box."""
        for change in self.changes:
            is_of_box = change.path is None and change.serial is None
            if is_of_box or (path and change.path == path) or (serial and change.serial == serial):
                yield change

    def near(
        self, when: float, *, path: str | None, serial: str | None, before: float, after: float
    ) -> Iterator[NotedChange]:
        """Give those that lie within `before` seconds before and `after` seconds after a moment."""
        return (change for change in self.concerning(path, serial) if when - before <= change.at <= when + after)


def describe_parts(position: DeclaredPosition) -> str:
    """Name what stands between a position and its device, with the parts' own names."""
    return ", ".join(f"{part.kind} {part.id}" if part.id else part.kind for part in position.through) or "nothing"


def note_declaration(book: ChangeBook, build: Build | None, *, at: float) -> Iterator[NotedChange | None]:
    """Note what changed in the declaration: the parts between, and the link as meant."""
    for position in build.position if build else ():
        yield book.note("parts", describe_parts(position), at=at, path=position.path)
        generation = position.link.generation if position.link else None
        if generation is not None:
            value = f"generation {generation}"
            yield book.note("link-cap", value, at=at, path=position.path, key=f"declared {position.path}")


def note_software(book: ChangeBook, boot: Boot, *, at: float) -> bool:
    """Note a new kernel or new firmware of the board; whether there is one."""
    bios = " of ".join(word for word in (boot.bios_version, boot.bios_date) if word)
    found = book.note("kernel", boot.kernel_release, at=at), book.note("bios", bios or None, at=at)
    return any(change is not None for change in found)


def note_drives(book: ChangeBook, occupants: Iterable[Occupant], *, at: float) -> Iterator[NotedChange | None]:
    """Note which drive is where; gives the updates of their firmware, each with its position."""
    for occupant in occupants:
        serial = key_of(occupant)
        if isinstance(occupant.firmware, str):
            change = book.note("drive-firmware", occupant.firmware, at=at, serial=serial)
            yield change and replace(change, path=occupant.path)
        if "/" not in serial:
            book.note("moved", occupant.path, at=at, serial=serial)
            book.note("occupant", serial, at=at, path=occupant.path)


def note_link_caps(book: ChangeBook, targets: Mapping[str, float | None], *, at: float) -> Iterator[NotedChange | None]:
    """Note the rate that each port aims at, by path."""
    for path, gt_s in targets.items():
        if gt_s is not None:
            yield book.note("link-cap", describe_rate(gt_s), at=at, path=path, key=f"target {path}")


def changes_of_notes(notes: Iterable[Note], build: Build | None, *, at: float) -> Iterator[NotedChange]:
    """Give the changes at a position that the owner's notes report."""
    for note in notes:
        position = build.position_named(note.position) if build and note.position else None
        what = {"adapter": "parts", "cooling": "cooling"}.get(note.what)
        if position is not None and what is not None:
            yield NotedChange(at=at, what=what, before=_AS_IT_WAS, after=note.text, path=position.path)


def paths_moved(notes: Iterable[Note], build: Build | None) -> Iterator[str]:
    """Give the positions where the owner moved a drive, or had one out: how they trained before says nothing now."""
    for note in notes:
        for label in (note.position, note.to) if note.what in ("moved", "taken-out") else ():
            position = build.position_named(label) if build and label else None
            if position is not None:
                yield position.path


def note_idle_states(
    book: ChangeBook, views: Iterable[tuple[str, str | None, IdleStates]], *, at: float
) -> Iterator[NotedChange | None]:
    """Note where idle states of drive or link were switched on or off."""
    for path, serial, view in views:
        value = None if view.on is None else "on" if view.on else "off"
        yield book.note("idle-states", value, at=at, path=path, serial=serial)
