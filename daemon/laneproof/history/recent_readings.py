"""What held just before a moment, and what followed: the readings of the last minutes, ready to be written out.

The history writes down what moved, now and then, to the drive that it lies on; that may be the very drive that goes.
So the last minutes are held in memory as well. Once something happens they are given as lines, together with what
followed, for somebody to write elsewhere at once.

Rules of this module: pure, and bounded; a reading that cannot be taken any more is null, never what it was before.
"""

from collections import deque
from collections.abc import Iterable, Mapping
from itertools import groupby
from typing import Any, NamedTuple

from laneproof.history.origins import DeviceMap, Origin, map_devices
from laneproof.history.sample import Value
from laneproof.history.sampled_groups import sample_group
from laneproof_collectors.hotplug import DeviceEvent
from laneproof_collectors.kernel_log.reading import TimedKernelEvent
from laneproof_collectors.questions import Clock
from laneproof_collectors.snapshot import Snapshot

RECENT_SECONDS = 600.0
"""How far back readings are held. A drive's heat and load before a disconnect show within minutes. Our choice."""
FOLLOWED_SECONDS = 120.0
"""How long after an event what follows is written too: a reset takes up to a minute, a return as long. Our choice."""
MOST_EVENTS = 200
"""How many events one line takes; a device that floods the log says nothing new after that."""

MOST_RECENT_EVENTS = 2000
"""How many events are held in all while nothing is written; a flood of corrected errors goes on for hours."""

GROUPS = ("functions", "controllers", "drives", "thermal")
"""The groups of facts that bear on why a drive went."""

Line = Mapping[str, Any]
"""One line to be written: a JSON object with `what`, `t` (unix seconds), `up` (seconds since boot)."""

_Readings = dict[tuple[Origin, str], Value | None]


class _Entry(NamedTuple):
    up: float
    t: float
    line: Line | None
    moved: _Readings


class RecentReadings:
    """Holds the readings of the last minutes."""

    def __init__(self) -> None:
        """Begin with none."""
        self._base: _Readings = {}
        self._now: dict[str, dict[tuple[Origin, str], Value]] = {}
        self._facts: dict[str, object] = {}
        self._where: DeviceMap | None = None
        self._held: deque[_Entry] = deque()
        self._base_t = self._base_up = 0.0
        self._has_base = self._is_base_written = False
        self._events = self._left_out = 0
        self._followed_until = float("-inf")

    def add_pass(self, snapshot: Snapshot, episodes: Iterable[Line] = ()) -> list[Line]:
        """Add one pass, with the episodes that are new or grew, as JSON objects; gives the lines to write now."""
        moved = self._find_moved(snapshot)
        if not self._has_base:
            self._base, self._base_t, self._base_up = moved, snapshot.taken_at, snapshot.up_seconds
            self._has_base = True
        elif moved:
            self._held.append(_Entry(snapshot.up_seconds, snapshot.taken_at, None, moved))
        reported = [
            {"what": "episode", "t": snapshot.taken_at, "up": snapshot.up_seconds, **episode} for episode in episodes
        ]
        self._held.extend(_Entry(snapshot.up_seconds, snapshot.taken_at, line, {}) for line in reported)
        if reported:
            self._followed_until = snapshot.up_seconds + FOLLOWED_SECONDS
        self._forget(snapshot.up_seconds)
        return self._give() if snapshot.up_seconds <= self._followed_until else []

    def add_events(
        self,
        kernel: Iterable[TimedKernelEvent],
        devices: Iterable[DeviceEvent],
        clock: Clock,
        *,
        is_urgent: bool,
    ) -> list[Line]:
        """Add what the kernel reported; gives the lines to write now.

        It is urgent where a drive is in trouble, or a device came or went.
        """
        logged, came = list(kernel), list(devices)
        if self._events >= MOST_RECENT_EVENTS and not is_urgent:
            self._left_out += len(logged) + len(came)
        elif logged or came:
            line: dict[str, Any] = {
                "what": "events",
                "t": clock.unix_seconds,
                "up": clock.up_seconds,
                "kernel": [_describe_kernel(event) for event in logged[:MOST_EVENTS]],
                "devices": [_describe_device(event) for event in came[:MOST_EVENTS]],
            }
            left_out = self._left_out + max(0, len(logged) - MOST_EVENTS) + max(0, len(came) - MOST_EVENTS)
            self._events += len(line["kernel"]) + len(line["devices"])
            self._left_out = 0
            self._held.append(
                _Entry(clock.up_seconds, clock.unix_seconds, line | ({"left_out": left_out} if left_out else {}), {})
            )
        if is_urgent:
            self._followed_until = clock.up_seconds + FOLLOWED_SECONDS
        self._forget(clock.up_seconds)
        return self._give() if clock.up_seconds <= self._followed_until else []

    def _find_moved(self, snapshot: Snapshot) -> _Readings:
        moved: _Readings = {}
        for group in GROUPS:
            facts = getattr(snapshot, group)
            if facts is self._facts.get(group):
                continue  # not read again since the last pass
            self._facts[group] = facts
            self._where = map_devices(snapshot, self._where)
            before = self._now.get(group, {})
            now = {
                (sample.origin, sample.measure.name): sample.value
                for sample in sample_group(snapshot, group, self._where)
            }
            moved.update(dict.fromkeys(before.keys() - now.keys()))
            moved.update({key: value for key, value in now.items() if before.get(key) != value})
            self._now[group] = now
        return moved

    def _forget(self, up: float) -> None:
        """Let what is older become what held at the beginning."""
        while self._held and up - self._held[0].up > RECENT_SECONDS:
            oldest = self._held.popleft()
            if oldest.line is not None and oldest.line["what"] == "events":
                self._events = max(0, self._events - len(oldest.line["kernel"]) - len(oldest.line["devices"]))
            if oldest.moved:
                self._fold(oldest)
                self._is_base_written = False

    def _fold(self, entry: _Entry) -> None:
        self._base.update(entry.moved)
        self._base = {key: value for key, value in self._base.items() if value is not None}
        self._base_t, self._base_up = entry.t, entry.up

    def _give(self) -> list[Line]:
        """Give what was not written yet: all that held where a part of it is unknown to the reader, then what moved."""
        lines: list[Line] = []
        if self._has_base and not self._is_base_written:
            lines.append(_describe_readings("held", self._base_t, self._base_up, self._base))
            self._is_base_written = True
        for entry in self._held:
            lines.append(
                entry.line if entry.line is not None else _describe_readings("moved", entry.t, entry.up, entry.moved)
            )
            if entry.moved:
                self._fold(entry)
        self._held.clear()
        self._events = 0
        return lines


def _describe_readings(what: str, t: float, up: float, readings: _Readings) -> Line:
    rows = sorted(readings.items(), key=lambda row: row[0])
    return {
        "what": what,
        "t": t,
        "up": up,
        "readings": [
            {
                "path": origin.path,
                "end": origin.end,
                "drive": origin.drive,
                "values": {name: value for (_, name), value in values},
            }
            for origin, values in groupby(rows, key=lambda row: row[0][0])
        ],
    }


def _describe_kernel(event: TimedKernelEvent) -> dict[str, Any]:
    return {
        "up": event.up_seconds,
        "sequence": event.sequence,
        "kind": str(event.event.kind),
        "device": event.event.device,
        "message": event.event.message,
        "lines": event.lines,
    }


def _describe_device(event: DeviceEvent) -> dict[str, Any]:
    return {"action": str(event.action), "subsystem": event.subsystem, "devpath": event.devpath}
