"""Keeps the history in a thread of its own, so that a drive that hangs holds up its own history and nothing else.

The history may lie on a drive that is watched. A commit to a drive that answers nothing waits as long as the kernel
does, which is minutes; meanwhile the loop must go on reading, judging and reporting.

Rules of this module: what is given is kept in the order given; what waits is bounded, and what is left out is said.
"""

import logging
import queue
import time
from collections.abc import Callable, Iterable, Mapping
from functools import partial
from threading import Thread
from types import MappingProxyType
from typing import Any

from laneproof.engine import PassResult
from laneproof.history.events import Event
from laneproof.history.notes import KeptNote
from laneproof.history.store import Store
from laneproof.service.owner_notes import Inbox
from laneproof_collectors.hotplug import DeviceEvent
from laneproof_collectors.kernel_log.reading import TimedKernelEvent
from laneproof_collectors.questions import Clock

_log = logging.getLogger(__name__)

MOST_WAITING = 500
"""How many passes and events wait at most: a few minutes of a box in trouble, hours of one at rest."""
RESERVED = 100
"""So much room is left to passes and state: a device that floods the log must not push them out."""
CLOSE_SECONDS = 10.0
"""How long the end waits for what is still to be written; the service manager gives twenty."""


class BackgroundWriter:
    """A writer that never lets its caller wait, but at the end."""

    def __init__(self, store: Store, *, most_waiting: int = MOST_WAITING) -> None:
        """Start the thread that writes to the store, which may be asked from any thread."""
        self._store = store
        self._waiting: queue.Queue[Callable[[], None] | None] = queue.Queue(most_waiting)
        self._most_events = max(1, most_waiting - RESERVED)
        self._left_out = 0
        self._takes_notes = False
        self._new_notes: queue.SimpleQueue[KeptNote] = queue.SimpleQueue()
        self._thread = Thread(target=self._work, name="history", daemon=True)
        self._thread.start()

    def add_pass(self, result: PassResult) -> None:
        """Add one pass."""
        self._put(partial(self._store.add_pass, result))

    def add_kernel_events(
        self, reports: Iterable[TimedKernelEvent], clock: Clock, paths: Mapping[str, str] = MappingProxyType({})
    ) -> None:
        """Add what the kernel logged; see the store."""
        self._put(partial(self._store.add_kernel_events, tuple(reports), clock, paths), is_event=True)

    def add_events(self, events: Iterable[Event]) -> None:
        """Add what else happened."""
        self._put(partial(self._store.add_events, tuple(events)))

    def add_device_events(self, events: Iterable[DeviceEvent], clock: Clock) -> None:
        """Add which devices came and went."""
        self._put(partial(self._store.add_device_events, tuple(events), clock), is_event=True)

    def save_state(self, name: str, value: Mapping[str, Any]) -> None:
        """Save a JSON value under a name, in the place of the one before."""
        self._put(partial(self._store.save_state, name, value))

    def reconcile(self) -> None:
        """Hold the kept findings against the next pass."""
        self._put(self._store.reconcile)

    def take_notes(self, inbox: Inbox) -> tuple[KeptNote, ...]:
        """Have the owner's notes taken, and give those that were kept since the last time."""
        if not self._takes_notes and not self._waiting.full():
            self._takes_notes = True
            self._put(partial(self._keep_notes, inbox))
        return tuple(self._new_notes.get() for _ in range(self._new_notes.qsize()))  # nobody else takes from it

    def _keep_notes(self, inbox: Inbox) -> None:
        self._takes_notes = False
        left = inbox.read()
        if left is None:
            return
        for note in left:
            if self._store.add_note(note):
                self._new_notes.put(note)
        inbox.clear()  # also where none of it was a note: what comes next waits behind it

    def close(self) -> None:
        """Write what waits, and close; a drive that hangs is left to the process's end."""
        end = time.monotonic() + CLOSE_SECONDS
        try:
            self._waiting.put(self._store.close, timeout=CLOSE_SECONDS)
            self._waiting.put(None, timeout=max(0.0, end - time.monotonic()))
        except queue.Full:
            pass
        self._thread.join(max(0.0, end - time.monotonic()))
        if self._thread.is_alive():
            _log.error("the history does not take what is written to it; its last minutes are lost")

    def _put(self, work: Callable[[], None], *, is_event: bool = False) -> None:
        if is_event and self._waiting.qsize() >= self._most_events:
            self._leave_out()
            return
        if self._left_out and self._waiting.qsize() < self._most_events:
            _log.warning("the history takes what is written to it again; %d entries are missing", self._left_out)
            self._left_out = 0
            self.reconcile()  # a finding that was raised or cleared meanwhile is not among what was kept
        try:
            self._waiting.put_nowait(work)
        except queue.Full:
            self._leave_out()

    def _leave_out(self) -> None:
        self._left_out += 1
        if self._left_out == 1:
            _log.error("the history does not take what is written to it; what comes now is left out of it")

    def _work(self) -> None:
        while (work := self._waiting.get()) is not None:
            try:
                work()
            except Exception:  # noqa: BLE001 (a fence: what cannot be kept does not end the watch)
                _log.exception("something could not be kept in the history")
