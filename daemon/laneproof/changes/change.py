"""One change between two snapshots of a box, and all of them together. Plain values, and their sentences."""

from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

from laneproof.box.inventory.inventory import Inventory, KeptLink
from laneproof.findings import format_time


class Outcome(StrEnum):
    """What became of a thing."""

    APPEARED = "appeared"
    WENT = "went"
    MOVED = "moved"
    REPLACED = "replaced"
    RETRAINED = "retrained"
    REFLASHED = "reflashed"
    SETTING = "setting"
    CHANGED = "changed"


class Topic(StrEnum):
    """What kind of thing a change is about, in the order in which a person wants to read of it."""

    FIRMWARE = "firmware"
    KERNEL = "kernel"
    DRIVE = "drive"
    DEVICE = "device"
    LINK = "link"
    SETTING = "setting"
    ARRAY = "array"
    MEMORY = "memory"
    NETWORK = "network"


@dataclass(frozen=True, slots=True)
class Change:
    """One change."""

    what: Outcome
    about: Topic
    subject: str  # the position's label; without one the path, or the name of the thing
    summary: str  # one clause with both values, which reads on after the subject
    before: str | None = None
    after: str | None = None
    path: str | None = None  # where it is now, or was last; None for what has no position
    # what changed with it and because of it: a firmware update and what it reset are one change
    details: tuple["Change", ...] = ()

    def as_json(self) -> dict[str, Any]:
        """Give the change as JSON."""
        return {
            "what": str(self.what),
            "about": str(self.about),
            "subject": self.subject,
            "summary": self.summary,
            "path": self.path,
            "before": self.before,
            "after": self.after,
            "details": [detail.as_json() for detail in self.details],
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class DatedInventory:
    """The inventory of a box at one moment."""

    name: str  # where it comes from: a file's name, the daemon's history, this machine
    box: str | None  # what the box is called, None where that is not known
    taken_at: float  # when, unix seconds
    inventory: Inventory


@dataclass(frozen=True, slots=True, kw_only=True)
class Gap:
    """Something that could not be compared."""

    part: str
    why: str  # one clause
    one_sided: bool  # whether it was known in one of the two snapshots: then something may have changed unseen


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison:
    """All that changed."""

    changes: tuple[Change, ...]  # what changed, in the order of `Topic`
    # what is worth knowing and is no change of the box: a start in between, names given out again
    notes: tuple[str, ...] = ()
    gaps: tuple[Gap, ...] = ()

    @property
    def verdict(self) -> str:
        """``same``, ``changed``, or ``unverified``: no change seen, but one knew what the other could not."""
        if self.changes:
            return "changed"
        return "unverified" if any(gap.one_sided for gap in self.gaps) else "same"

    def as_json(self, before: DatedInventory, after: DatedInventory) -> dict[str, Any]:
        """Give all of it as JSON, with the two snapshots that it compares."""
        sides = [
            {"source": side.name, "box": side.box, "taken_at": format_time(side.taken_at)} for side in (before, after)
        ]
        return {
            "schema": 1,
            "before": sides[0],
            "after": sides[1],
            "verdict": self.verdict,
            "changes": [change.as_json() for change in self.changes],
            "notes": list(self.notes),
            "not_compared": [{"part": gap.part, "why": gap.why, "one_sided": gap.one_sided} for gap in self.gaps],
        }


class Pair:
    """Two inventories with their positions at hand by path."""

    def __init__(self, before: Inventory, after: Inventory) -> None:
        """Lay them side by side."""
        self.before, self.after = before, after
        self.positions_before = {position.path: position for position in (*(before.devices or ()), *before.positions)}
        self.positions_after = {position.path: position for position in (*(after.devices or ()), *after.positions)}

    @property
    def same_firmware(self) -> bool:
        """Whether the board's firmware is the same, as far as it is known of both."""
        old, new = self.before.firmware, self.after.firmware
        if old is None or new is None:
            return True
        return is_same((old.bios_version, new.bios_version), (old.bios_date, new.bios_date))

    def name_position(self, path: str) -> str:
        """Name a position: by its label, else by its path."""
        for positions in (self.positions_after, self.positions_before):
            if (position := positions.get(path)) and position.position:
                return position.position
        return path

    def knows(self, part: str) -> bool:
        """Whether a part was read in both snapshots."""
        return not {part, "places"} & (self.before.unread.keys() | self.after.unread.keys())


def describe_difference(  # noqa: PLR0913 (what a change is)
    what: Outcome, about: Topic, subject: str, before: str, after: str, *, form: str = "{}", path: str | None = None
) -> Change:
    """Make the change from one value to another, ``x4, before x2``; the form says what the later one is."""
    return Change(what, about, subject, f"{form.format(after)}, before {before}", before, after, path)


def is_same(*pairs: tuple[object, object]) -> bool:
    """Whether no value that is known both before and after differs."""
    return all(before is None or after is None or before == after for before, after in pairs)


def is_same_link(old: KeptLink, new: KeptLink) -> bool:
    """Whether a link is the same, as far as it is known of both."""
    return is_same((old.transfers_per_second, new.transfers_per_second), (old.lanes, new.lanes))


def join_words(words: Iterable[str]) -> str:
    """Join words as in a sentence: ``a, b and c``."""
    *front, last = words
    return f"{', '.join(front)} and {last}" if front else last
