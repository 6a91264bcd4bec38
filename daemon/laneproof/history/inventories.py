"""The box's inventory, kept each time something in it changed.

Rules of this module: what could not be read is no change; a part that is unread for a while is kept as it was known.
What it does not do: take the inventory or compare two (see `laneproof.box.inventory` and `laneproof.changes`).
"""

import sqlite3
from collections.abc import Iterator
from dataclasses import dataclass

from pydantic import ValidationError

from laneproof.box.inventory.inventory import Inventory
from laneproof.changes import Change, compare
from laneproof.history.batch import Batch
from laneproof.history.compressed_json import pack, unpack
from laneproof.history.events import CHANGED, Event
from laneproof.history.live_series import PassMark

FEWEST_SECONDS = 60.0
"""Two inventories are at least this far apart: what goes up and down faster is seen in the samples."""

_PARTS = ("firmware", "ports", "devices", "settings", "arrays", "memory", "interfaces", "bonds")
_NEEDED = ("places", "drives.nvme")  # without these a drive that is there would look gone


@dataclass(frozen=True, slots=True, kw_only=True)
class KeptInventory:
    """An inventory, and since when it held."""

    t: float  # unix seconds
    inventory: Inventory


class InventoryWriter:
    """Writes an inventory down where it differs from the one before."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        """Begin with the last one kept."""
        row = connection.execute("SELECT content FROM inventories ORDER BY id DESC LIMIT 1").fetchone()
        self._last = None if row is None else _parse_or_none(row[0])

    def write(self, inventory: Inventory, mark: PassMark, to: Batch) -> tuple[Event, ...]:
        """Keep what one pass took; gives an event for each change."""
        if any(part in inventory.unread for part in _NEEDED):
            return ()
        last = self._last
        if last is not None:
            inventory = _carry_over(inventory, last)
            if inventory == last:
                return ()
        changes = compare(last, inventory).changes if last is not None else ()
        if last is not None and not changes:
            return ()
        self._last = inventory
        row = (to.next_number("inventories"), mark.t, mark.boot, pack(inventory.model_dump(mode="json")))
        to.add("INSERT INTO inventories (id, t, boot, content) VALUES (?, ?, ?, ?)", row)
        return tuple(_events(changes, mark))


def _carry_over(now: Inventory, before: Inventory) -> Inventory:
    missing = {name: getattr(before, name) for name in _PARTS if getattr(now, name) is None}
    return now.model_copy(update=missing) if missing else now


def _events(changes: tuple[Change, ...], mark: PassMark) -> Iterator[Event]:
    for change in changes:
        details = [f"{part.subject} {part.summary}" for part in change.details]
        yield Event(
            t=mark.t,
            kind=CHANGED,
            text=f"{change.subject} {change.summary}",
            path=change.path or "",
            up_seconds=mark.up,
            detail={"what": str(change.what), "about": str(change.about)} | ({"with_it": details} if details else {}),
        )


def read_inventories(
    connection: sqlite3.Connection, *, since: float | None = None, until: float | None = None
) -> tuple[KeptInventory, ...]:
    """Read the inventories that held between two times, oldest first: the first may have begun before."""
    rows = connection.execute(
        "SELECT t, content FROM inventories"
        " WHERE id >= coalesce((SELECT max(id) FROM inventories WHERE t <= ?), 0) AND t <= ? ORDER BY id",
        (-1e18 if since is None else since, 1e18 if until is None else until),
    )
    return tuple(
        KeptInventory(t=t, inventory=inventory)
        for t, content in rows
        if (inventory := _parse_or_none(content)) is not None
    )


def _parse_or_none(packed: bytes) -> Inventory | None:
    """Read one; None where this version cannot read it any more: it stays in the file."""
    try:
        return Inventory.model_validate(unpack(packed))
    except (ValueError, ValidationError):
        return None
