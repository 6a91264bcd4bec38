"""Passes over a recording: only what a frame can have changed is read and parsed again.

Most frames of a long recording move a few counters. A collector whose questions would get the answers of the pass
before gives the facts of the pass before, and `ReplayReader.read_again` does not name its group.

But a frame is a reading, also where nothing moved: a link that makes no errors, and a drive that rests, are watched
meanwhile. So what is watched by the clock is named as read again now and then.
"""

from collections.abc import Sequence
from typing import Any

from laneproof_collectors.collection import Collector, assemble, make_collectors, read_fenced
from laneproof_collectors.recorded_host import ALWAYS, RecordedHost
from laneproof_collectors.snapshot import Snapshot

WATCHED = ("functions", "controllers", "drives")
"""The groups of which time without a move is evidence."""
RENEW_SECONDS = 300.0
"""How long such a group's facts count as one reading; a live machine reads them at least as often."""


class ReplayReader:
    """Reads pass after pass of one recording."""

    def __init__(self, host: RecordedHost, collectors: Sequence[Collector] | None = None) -> None:
        """Begin before the first pass; whoever asks for passes takes the host from frame to frame."""
        self._host = host
        self._collectors = tuple(collectors) if collectors is not None else make_collectors()
        self._facts: dict[str, Any] = {}
        self._asked: dict[str, set[str]] = {}
        self._read_at: dict[str, float] = {}
        self.read_again: frozenset[str] = frozenset()
        """The groups that count as read in the last pass."""

    def read(self) -> Snapshot:
        """Read the frame that the host stands at."""
        changed, clock = self._host.take_changes(), self._host.clock()
        read_again = set()
        for collector in self._collectors:
            asked = self._asked.get(collector.group)
            if changed is None or asked is None or ALWAYS in asked or not asked.isdisjoint(changed):
                with self._host.noting() as noted:
                    self._facts[collector.group] = read_fenced(collector, self._host)
                self._asked[collector.group] = noted
            elif not self._counts_as_read(collector.group, clock.unix_seconds):
                continue
            read_again.add(collector.group)
            self._read_at[collector.group] = clock.unix_seconds
        self.read_again = frozenset(read_again)
        return assemble(self._facts, clock)

    def _counts_as_read(self, group: str, now: float) -> bool:
        """Whether facts that did not move are a reading all the same, since the last one is old."""
        return group in WATCHED and abs(now - self._read_at[group]) >= RENEW_SECONDS
