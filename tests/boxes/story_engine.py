"""A box over time under the whole engine: the life of each finding, as the daemon would report it."""

import json
from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Any

from boxes.simulated_past import say
from boxes.snapshot_box import A_MORNING, Box, one_drive
from laneproof.declaration.build import Build
from laneproof.engine import Engine
from laneproof.findings import Finding
from laneproof_collectors.hotplug import DeviceEvent
from laneproof_collectors.snapshot import Snapshot
from laneproof_collectors.unread import Unread

DAY, HOUR = 86400.0, 3600.0
Log = Sequence[str] | Unread


def watch_counter(
    build: Build | None, box: Callable[..., Snapshot], rule: str, counter: str, counts: Sequence[int], *, every: float
) -> list[Finding]:
    """Give what the engine says of a rule after passes in which a counter of a box had these values."""
    engine, findings = Engine(build), list[Finding]()
    for number, count in enumerate(counts):
        outcome = engine.observe(box(at=A_MORNING + number * every, **{counter: count}))
        findings = [finding for finding in outcome.findings if finding.rule == rule]
    return findings


class Watcher:
    """Reads a box again and again, and keeps what the engine said of one rule."""

    def __init__(self, rule: str, build: Build | None = None) -> None:
        self.engine = Engine(build)
        self.rule = rule
        self.now, self.boot, self.booted_at = A_MORNING, 1, A_MORNING - 600.0
        self.clock_error = self.slept = 0.0
        self.changes: list[tuple[str, str, str | None]] = []
        self.standing: list[Finding] = []

    def observe(
        self, box: Box, *, after: float = 0.0, times: int = 1, log: Log = (), devices: Sequence[DeviceEvent] = ()
    ) -> "Watcher":
        """Read the box so long after the last pass, and as often, each time as long after the one before."""
        for _ in range(times):
            self._observe_once(box, after, log, devices)
        return self

    def _observe_once(self, box: Box, after: float, log: Log, devices: Sequence[DeviceEvent]) -> None:
        self.now += after
        box.with_firmware(boot_id=f"0b5e55ed-0000-4000-8000-{self.boot:012d}")
        up = self.now - self.booted_at
        facts = replace(
            box.snapshot(taken_at=self.now + self.clock_error), up_seconds=up, monotonic_seconds=up - self.slept
        )
        events = (
            log
            if isinstance(log, Unread)
            else [event for text in log if (event := say(text, up_seconds=up - self.slept - min(30.0, after / 2)))]
        )
        outcome = self.engine.observe(facts, events, devices)
        self.standing = [finding for finding in outcome.findings if finding.rule == self.rule]
        self.changes += [
            (str(change.change), str(change.finding.severity), change.finding.observed)
            for change in outcome.changes
            if change.finding.rule == self.rule
        ]

    def restart(self, *, after: float = 60.0, stopped: bool | None = None) -> "Watcher":
        """Restart the machine; where it is said how the daemon stopped before it, it goes on from what it kept."""
        self.now += after
        if stopped is not None:
            kept, before = json.loads(json.dumps(self.engine.as_state(stopped=stopped))), self.engine
            self.engine = Engine(before.build)
            self.engine.restore(tuple(self.standing), kept)
            self.engine.add_notes(notes=before.past.notes, confirmed=before.past.confirmed)
        self.boot, self.booted_at, self.slept = self.boot + 1, self.now - 50.0, 0.0
        return self

    def sleep(self, seconds: float) -> "Watcher":
        """Suspend the machine: CLOCK_MONOTONIC stops, CLOCK_BOOTTIME does not."""
        self.now += seconds
        self.slept += seconds
        return self

    @property
    def became(self) -> list[str]:
        """What became of its findings so far: raised, changed, cleared."""
        return [change for change, _, _ in self.changes]

    @property
    def severity(self) -> str | None:
        """Of the only finding, None where there is none."""
        return str(self.standing[0].severity) if self.standing else None


def hours(watcher: Watcher, number: int, **health: Any) -> Watcher:
    """Let hours pass, in each of which the only drive's health log says so."""
    return watcher.observe(one_drive(health=dict(health)), after=HOUR, times=number)
