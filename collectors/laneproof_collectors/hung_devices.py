"""Deadlines for a machine's answers: devices that hang are waited for at the same time, and hold up nothing else.

Rules of this module: it knows which device a question is about, never how it is answered.
"""

import threading
import time
from abc import abstractmethod
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import cast

from laneproof_collectors.host import Host
from laneproof_collectors.questions import (
    Answer,
    ListFolder,
    NvmeFeature,
    NvmeIdentify,
    NvmeLog,
    Question,
    ReadClock,
    ReadFile,
    ReadJournal,
    ReadKernelLog,
    ReadLink,
    ReadRange,
    ReadUevents,
    Smartctl,
    name_question,
)
from laneproof_collectors.unread import Reason, Unread

DEFAULT_DEADLINE_SECONDS = 5.0
"""How long one question may take. An NVMe admin command normally takes milliseconds; the kernel's own limit is 60 s."""

HAND_OVER_SECONDS = 0.1
"""How long the rest of a batch waits behind one question before another thread goes on with it."""
JOURNAL_SECONDS = 40.0
"""The journal may take longer: it keeps a deadline of its own, and ends what it started."""
MOST_HANGING = 24

_ANSWERED_AT_ONCE = (ReadClock, ReadKernelLog, ReadUevents)
"""These never wait, and need no thread: also where none is to be had, the kernel's events are read."""


class DeadlineHost(Host):
    """A host whose answers may take long.

    Each batch is answered by a reader thread, while the caller watches that it moves on. A thread that waits at one
    question keeps it and all about the same device, and another goes on with the rest: devices that hang are waited for
    at the same time. A question that takes longer than the deadline is answered `Unread` and its thread is left behind;
    until that thread comes back, every question about the same device, or one below it, is answered at once.
    """

    def __init__(self, deadline_seconds: float) -> None:
        """Begin with no device that hangs; one question may take so long."""
        self._deadline_seconds = deadline_seconds
        self._stuck: dict[str, tuple[str, float]] = {}
        self._hanging = 0  # threads that wait at one question
        self._idle: list[_Reader] = []
        self._lock = threading.Lock()

    @abstractmethod
    def _answer(self, question: Question) -> Answer:
        """Answer one question. It may never return, and never raises."""

    @abstractmethod
    def _find_folder(self, name: str) -> str:
        """Give the folder of a drive in sysfs, empty where it has none."""

    def ask(self, questions: Sequence[Question]) -> list[Answer]:
        """Answer a batch, each question within its deadline."""
        answers: list[Answer | None] = [None] * len(questions)
        if all(isinstance(question, _ANSWERED_AT_ONCE) for question in questions):
            return [self._answer(question) for question in questions]
        batch: _Batch | None = _Batch(questions, answers, range(len(questions)))
        waiting: list[tuple[_Batch, _Reader, float]] = []
        while batch and (reader := self._begin(batch)):
            if (since := _watch(batch, reader, min(HAND_OVER_SECONDS, self._deadline_seconds))) is None:
                self._rest(reader)
                break
            waiting.append((batch, reader, since))
            self._count_hanging(1)
            batch = self._split(batch)
        for batch, reader, since in waiting:
            seconds = JOURNAL_SECONDS if isinstance(batch.question, ReadJournal) else self._deadline_seconds
            if reader.wait(max(0.0, since + seconds - time.monotonic())):
                self._count_hanging(-1)
                self._rest(reader)
            else:
                self._abandon(batch, reader, since)
        return cast("list[Answer]", list(answers))  # a copy: who comes back later writes into the other

    def close(self) -> None:
        """End the idle threads."""
        with self._lock:
            readers, self._idle = self._idle, []
        for reader in readers:
            reader.end()

    def _begin(self, batch: "_Batch") -> "_Reader | None":
        """Hand a batch to a thread; where there is none to be had, its questions are answered with the reason."""
        with self._lock:
            hanging = self._hanging
            reader = self._idle.pop() if self._idle and hanging < MOST_HANGING else None
        why = f"{hanging} reads hang, and no more are begun until one comes back"
        if reader is None and hanging < MOST_HANGING:
            try:
                reader = _Reader(self._work)
            except RuntimeError as error:  # the system gives no thread
                why = str(error)
        if reader is not None:
            reader.begin(batch)
            return reader
        for position in batch.positions:
            batch.answers[position] = Unread(name_question(batch.questions[position]), why, Reason.EXHAUSTED, "EAGAIN")
        return None

    def _count_hanging(self, step: int) -> None:
        with self._lock:
            self._hanging += step

    def _rest(self, reader: "_Reader") -> None:
        with self._lock:
            self._idle.append(reader)

    def _split(self, batch: "_Batch") -> "_Batch | None":
        """Split a batch that waits: it keeps what is about its device; gives the rest as another, None for no rest."""
        at = batch.at
        batch.device = device = next(self._find_devices(batch.questions[at]))
        rest = [
            position
            for position in batch.positions
            if position > at and device not in self._find_devices(batch.questions[position])
        ]
        return _Batch(batch.questions, batch.answers, rest) if rest else None

    def _abandon(self, batch: "_Batch", reader: "_Reader", since: float) -> None:
        """Leave a thread behind that overstayed its deadline, and remember its device."""
        question = batch.question
        device = next(self._find_devices(question))
        with self._lock:
            self._stuck[device] = (name_question(question), since)
        reader.abandon(lambda: self._come_back(device))
        for position in batch.positions:
            left = batch.questions[position]
            if batch.answers[position] is None and (batch.device or device) in self._find_devices(left):
                batch.answers[position] = self._find_stuck(left) or self._time_out(left)
        batch.answers[batch.at] = self._time_out(question)

    def _time_out(self, question: Question) -> Unread:
        why = f"no answer within {self._deadline_seconds:g} s"
        return Unread(name_question(question), why, Reason.TIMED_OUT, "ETIMEDOUT")

    def _come_back(self, device: str) -> None:
        with self._lock:
            self._stuck.pop(device, None)
            self._hanging -= 1

    def _work(self, batch: "_Batch", reader: "_Reader") -> None:
        """Answer a batch to its end, or until it is given up; runs in the reader's thread."""
        questions, answers, stuck = batch.questions, batch.answers, self._stuck
        for position in batch.positions:
            if reader.abandoned:
                return
            question = questions[position]
            if batch.device is not None and batch.device not in self._find_devices(question):
                continue  # another thread has it
            batch.at = position
            answers[position] = (self._find_stuck(question) if stuck else None) or self._answer(question)

    def _find_stuck(self, question: Question) -> Unread | None:
        for device in self._find_devices(question):
            if held := self._stuck.get(device):
                what, since = held
                why = f"still waiting for {what} since {time.monotonic() - since:.0f} s"
                return Unread(name_question(question), why, Reason.TIMED_OUT, "ETIMEDOUT")
        return None

    def _find_devices(self, question: Question) -> Iterator[str]:
        """Name what a question could hang on: the device, then all that it is below, the nearest first.

        What a drive answers itself is a device of its own: where it hangs, the kernel's own files about it do not.
        """
        match question:
            case NvmeIdentify(name) | NvmeLog(name) | NvmeFeature(name) | Smartctl(name):
                name = name.removeprefix("/dev/")
                yield name
                path = self._find_folder(name)
            case ReadFile(path) | ReadRange(path):
                path = path.rpartition("/")[0] if path.startswith("/sys/") else path
            case ReadLink(path) | ListFolder(path):
                pass
            case _:
                path = name_question(question)
        while path:
            yield path
            path = path.rpartition("/")[0]


@dataclass(slots=True)
class _Batch:
    """Questions, the answers so far, and how far the reader is. Only its own reader thread moves it on."""

    questions: Sequence[Question]
    answers: list[Answer | None]
    positions: Sequence[int]  # those of the questions that are its own
    at: int = -1
    device: str | None = None  # where it waits, and the rest went to another

    @property
    def question(self) -> Question:
        """The one that it is at."""
        return self.questions[self.at]


def _watch(batch: _Batch, reader: "_Reader", seconds: float) -> float | None:
    """Wait until a batch is answered, which is None, or waits at one question: since when."""
    seen, since = -1, 0.0
    while not reader.wait(seconds):
        if batch.at == seen != -1:
            return since
        seen, since = batch.at, time.monotonic() - seconds
    return None


class _Reader:
    """A thread that answers one batch after another. One that hangs is abandoned and ends when its read returns.

    Bare locks stand for the two signals (a batch is there, it is done): they cost a fraction of what events cost.
    """

    def __init__(self, work: Callable[[_Batch, "_Reader"], None]) -> None:
        self._work = work
        self._batch: _Batch | None = None
        self._start, self._done = threading.Lock(), threading.Lock()
        self._start.acquire()
        self._done.acquire()
        self._after: Callable[[], None] | None = None
        self.abandoned = False
        threading.Thread(target=self._run, name="host-reader", daemon=True).start()

    def begin(self, batch: _Batch) -> None:
        self._batch = batch
        self._start.release()

    def wait(self, seconds: float) -> bool:
        """Wait for the batch's end; False where the time was over first."""
        return self._done.acquire(timeout=seconds)

    def end(self) -> None:
        self.abandoned = True
        self._start.release()

    def abandon(self, after: Callable[[], None]) -> None:
        self._after = after
        self.abandoned = True
        self._start.release()  # should it have come back in this very moment, it must not wait for another batch

    def _run(self) -> None:
        while True:
            self._start.acquire()
            batch, self._batch = self._batch, None
            if batch is not None:
                self._work(batch, self)
                batch = None  # its answers are the caller's alone: a journal's are tens of megabytes
                self._done.release()
            if self.abandoned:
                if self._after:
                    self._after()
                return
