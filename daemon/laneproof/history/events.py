"""Events: what happened and when, by the kernel's log, its device events, and the daemon itself.

Rules of this module: the same event again within a minute is counted, not written again (the kernel repeats itself for
as long as a device does not answer); an event stands under the path that its device had when it happened.
"""

import json
import sqlite3
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from laneproof.history.batch import Batch
from laneproof.history.compressed_json import parse_detail
from laneproof.history.origins import DeviceNames
from laneproof_collectors.hotplug import DeviceEvent
from laneproof_collectors.kernel_log.reading import TimedKernelEvent
from laneproof_collectors.questions import Clock

SAME_SECONDS = 60.0
BOOTED, CLOCK_STEPPED, CHANGED, RECORDS_LOST = "booted", "clock_stepped", "changed", "log_records_lost"
"""Kinds of the daemon's own, beside those of the kernel's log and ``device_ACTION`` of its device events."""

_SAME_UP_SECONDS = 0.5  # two clocks, read one after the other, date one record so far apart at most; our choice
_MOST_EARLIER = 5000  # the ring of the kernel's log holds no more records
_EARLIER = (
    "SELECT boot, kind, device, text, up, last_t - t FROM events WHERE up IS NOT NULL AND boot >="
    " (SELECT coalesce(max(id), 0) - 1 FROM boots) ORDER BY id DESC LIMIT ?"
)
_FACTS = ("t", "last_t", "up_seconds", "boot_id", "kind", "path", "drive", "device", "text", "count")
_REMEMBERED = 64  # how many recent events a repetition is looked for in


@dataclass(frozen=True, slots=True, kw_only=True)
class Event:
    """Something that happened."""

    t: float  # when, unix seconds
    kind: str  # what sort of thing: a kind of the kernel's log, ``device_add`` and so on, or one of this module's
    text: str  # in words; the kernel's own line where there is one
    path: str = ""  # the position's path, empty where it has none
    drive: str = ""
    device: str = ""  # the name that it had then
    up_seconds: float | None = None  # seconds since boot, None where not known
    boot_id: str | None = None  # the boot, where known; set by the store
    count: int = 1  # how many of the same it stands for
    last_t: float | None = None  # when the last of these was; None: at `t`
    detail: Mapping[str, Any] = field(default_factory=dict)  # further fields (JSON values)


def from_kernel(event: TimedKernelEvent, *, clock: Clock, names: DeviceNames) -> Event:
    """Make the event of one report in the kernel's log, read at a time by both clocks: it may give only one."""
    device = event.event.device or ""
    t, up = event.unix_seconds, event.up_seconds
    if t is None and up is not None:
        up += clock.up_seconds - clock.kernel_seconds  # stamps stop in suspend
    if t is None:
        ago = 0.0 if event.up_seconds is None else max(0.0, clock.kernel_seconds - event.up_seconds)
        t = clock.unix_seconds - ago
    return Event(
        t=t,
        kind=str(event.event.kind),
        text=event.event.message,
        path=names.paths.get(device, ""),
        drive=names.drives.get(device, ""),
        device=device,
        up_seconds=up,
        detail=dict(event.event.detail) | ({"lines": event.lines} if event.lines > 1 else {}),
    )


def from_device(event: DeviceEvent, *, clock: Clock, names: DeviceNames) -> Event:
    """Make the event of one device event."""
    named = (event.name, event.controller or "", event.address or "")
    path = next((names.paths[name] for name in named if name in names.paths), "")
    return Event(
        t=clock.unix_seconds,
        kind=f"device_{event.action}",
        text=f"{event.subsystem} {event.name}: {event.action}",
        path=path,
        drive=next((names.drives[name] for name in named if name in names.drives), ""),
        device=event.name,
        up_seconds=clock.up_seconds,
        detail={"subsystem": event.subsystem, "devpath": event.devpath},
    )


class EventWriter:
    """Writes events down; a repetition is counted."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        """Begin: nothing that an earlier run wrote is counted on, nor what it wrote of the log written again."""
        self._recent: dict[tuple[str, ...], tuple[int, Event]] = {}
        self._earlier: dict[tuple[int | None, str, str, str], list[tuple[float, float]]] = {}
        rows = connection.execute(_EARLIER, (_MOST_EARLIER,))
        for boot, kind, device, text, up, seconds in rows:
            self._earlier.setdefault((boot, kind, device, text), []).append((up, up + seconds))

    def write_logged(self, event: Event, boot: int | None, to: Batch, *, slept_seconds: float = 0.0) -> None:
        """Keep an event of the kernel's log, unless an earlier run has kept it: the log is read again at each start.

        The kernel's stamps stop in suspend, so that an earlier run may have dated the event by up to `slept_seconds`
        earlier.
        """
        spans = self._earlier.get((boot, event.kind, event.device, event.text), ())
        up = event.up_seconds
        if up is None or not any(
            first <= up + _SAME_UP_SECONDS and up - slept_seconds - _SAME_UP_SECONDS <= last for first, last in spans
        ):
            self.write(event, boot, to)

    def write(self, event: Event, boot: int | None, to: Batch) -> None:
        """Keep one event."""
        key = (event.kind, event.path, event.drive, event.device, event.text)
        before = self._recent.pop(key, None)
        if before is not None and abs(event.t - (before[1].last_t or before[1].t)) <= SAME_SECONDS:
            self._count(key, *before, event, to)
            return
        number = to.next_number("events")
        self._remember(key, number, event)
        last_t = event.t if event.last_t is None else event.last_t
        row = (
            number, event.t, last_t, event.up_seconds, boot, event.kind, event.path, event.drive, event.device,
            event.text, event.count, json.dumps(event.detail, default=str) if event.detail else None,
        )  # fmt: skip
        to.add(
            "INSERT INTO events (id, t, last_t, up, boot, kind, path, drive, device, text, count, detail)"
            " VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
            row,
        )

    def _count(self, key: tuple[str, ...], number: int, before: Event, event: Event, to: Batch) -> None:
        count = before.count + event.count
        self._remember(key, number, Event(t=before.t, kind=event.kind, text=event.text, count=count, last_t=event.t))
        to.add("UPDATE events SET count = ?, last_t = ? WHERE id = ?", (count, event.t, number))

    def _remember(self, key: tuple[str, ...], number: int, event: Event) -> None:
        self._recent[key] = (number, event)
        if len(self._recent) > _REMEMBERED:
            del self._recent[next(iter(self._recent))]


def read_events(
    connection: sqlite3.Connection, *, since: float | None = None, until: float | None = None
) -> tuple[Event, ...]:
    """Read the events between two times, oldest first."""
    rows = connection.execute(
        "SELECT e.t, e.last_t, e.up, b.boot_id, e.kind, e.path, e.drive, e.device, e.text, e.count, e.detail"
        " FROM events e LEFT JOIN boots b ON b.id = e.boot WHERE e.last_t >= ? AND e.t <= ? ORDER BY e.t, e.id",
        (-1e18 if since is None else since, 1e18 if until is None else until),
    )
    return tuple(Event(**dict(zip(_FACTS, facts, strict=True)), detail=parse_detail(detail)) for *facts, detail in rows)
