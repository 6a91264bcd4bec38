"""A machine that stands as a recording's frame left it, for a daemon to watch while the test turns its knobs.

`TurnedBoxHost` answers from a recording's state, and really waits; `change` applies a new frame, and wakes it where the
frame holds events, as a kernel's event would. `StuckHost` holds back every answer about some paths until it is let go.
"""

import os
import select
import threading
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from laneproof_collectors.host import Host
from laneproof_collectors.questions import Answer, KernelLogRead, Question, ReadJournal, name_question
from laneproof_collectors.recorded_host import RecordedHost
from laneproof_collectors.recording import Frame, parse_header
from simulation.box import RecordingWriter, SimulatedBox

START = 1_790_000_000.0


class TurnedBoxHost(Host):
    """A simulated box that runs."""

    def __init__(self, box: SimulatedBox) -> None:
        self.box = box
        self._writer = RecordingWriter(box)
        self._recorded = RecordedHost(parse_header(self._writer.lines[0]))
        self._lock = threading.Lock()
        self._event_read, self._event_write = os.pipe2(os.O_CLOEXEC | os.O_NONBLOCK)
        self._held = threading.Event()
        self._held.set()
        self._hold: tuple[str, ...] = ()
        self.now = self.booted_at = START
        self.closed = False
        self.journals: dict[int, tuple[str, ...]] = {}
        self.lost = 0
        self.change()

    def change(self, *uevents: dict[str, str], seconds: float = 1.0, kmsg: tuple[str, ...] = ()) -> None:
        """Let time pass, and make what was turned at the box's knobs visible."""
        with self._lock:
            self.now += seconds
            self._writer.take(self.box, t=self.now, up=self.now - self.booted_at, uevents=uevents, kmsg=kmsg)
            self._recorded.apply(Frame.model_validate_json(self._writer.lines[-1]))
        if uevents or kmsg:
            os.write(self._event_write, b"!")

    def hold(self, *beginnings: str) -> None:
        """Give no answer about paths that begin so, until `let_go`."""
        self._hold = beginnings
        self._held.clear()

    def let_go(self) -> None:
        """Answer again."""
        self._held.set()

    def ask(self, questions: Sequence[Question]) -> list[Answer]:
        if self._hold and any(name_question(question).startswith(self._hold) for question in questions):
            self._held.wait(120)
        with self._lock:
            return [self._answer(question) for question in questions]

    def _answer(self, question: Question) -> Answer:
        """Answer from the recording, and as a live machine what no recording holds: the journal, and lost records."""
        if isinstance(question, ReadJournal) and question.boot in self.journals:
            return self.journals[question.boot]
        (answer,) = self._recorded.ask([question])
        if isinstance(answer, KernelLogRead) and answer.records:
            answer, self.lost = replace(answer, lost=self.lost), 0
        return answer

    def wait(self, seconds: float, wake_descriptor: int | None = None) -> bool:
        streams = [self._event_read, *(() if wake_descriptor is None else (wake_descriptor,))]
        ready = select.select(streams, [], [], max(seconds, 0))[0]
        if self._event_read in ready:
            os.read(self._event_read, 4096)
        return bool(ready)

    def close(self) -> None:
        self.closed = True
        self.let_go()
        os.close(self._event_read)
        os.close(self._event_write)


def removed(address: str) -> dict[str, Any]:
    """Give the kernel's event for a function that is gone."""
    return {
        "action": "remove",
        "devpath": f"/devices/pci0000:00/{address}",
        "subsystem": "pci",
        "PCI_SLOT_NAME": address,
    }
