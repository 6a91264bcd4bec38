"""The one door to the machine that is judged: a closed set of questions with plain answers.

A question is a value, an answer is a value, and a failure is an answer (`Unread`), not an exception. The questions
(``questions.py``) come in batches, so that one hand-over pays for many reads and another process can be asked. The
machine itself is ``live_host.py``; a recording (``recorded_host.py``) and others answer in its place.
"""

import os
from abc import ABC, abstractmethod
from collections.abc import Iterable, Sequence
from itertools import islice
from typing import Any, cast

from laneproof_collectors.questions import (
    Answer,
    Clock,
    KernelLogRead,
    ListFolder,
    Question,
    ReadClock,
    ReadFile,
    ReadJournal,
    ReadKernelLog,
    ReadLink,
    ReadRange,
    ReadUevents,
)
from laneproof_collectors.unread import Unread


class Host(ABC):
    """A machine that can be asked. The named methods below are shorthand; `ask` is the whole contract."""

    @abstractmethod
    def ask(self, questions: Sequence[Question]) -> list[Answer]:
        """Answer a batch: one answer a question, in order. Never raises for what the machine does."""

    def ask_groups(self, groups: Iterable[Sequence[Question]]) -> list[list[Any]]:
        """Put several groups of questions as one batch, since handing a batch over costs as much as many reads.

        Returns:
            A list of answers for each group.
        """
        asked = list(groups)
        answers = iter(self.ask([question for group in asked for question in group]))
        return [list(islice(answers, len(group))) for group in asked]

    def wait(self, seconds: float, wake_descriptor: int | None = None) -> bool:  # noqa: ARG002 (a recording never waits)
        """Sleep until the kernel has an event or a log record, the caller's own descriptor has, or the time is over.

        Returns:
            Whether something ended the wait before its time.
        """
        return False

    def close(self) -> None:  # noqa: B027 (a recording holds nothing open)
        """Let go of what is held open (the kernel log, the event socket)."""

    def files(self, paths: Iterable[str]) -> list[bytes | Unread]:
        """Read whole files."""
        return cast("list[bytes | Unread]", self.ask([ReadFile(path) for path in paths]))

    def file(self, path: str) -> bytes | Unread:
        """Read one whole file."""
        return self.files((path,))[0]

    def links(self, paths: Iterable[str]) -> list[str | Unread]:
        """Read the raw targets of links."""
        return cast("list[str | Unread]", self.ask([ReadLink(path) for path in paths]))

    def link(self, path: str) -> str | Unread:
        """Read the raw target of one link."""
        return self.links((path,))[0]

    def folders(self, paths: Iterable[str]) -> list[tuple[str, ...] | Unread]:
        """List folders."""
        return cast("list[tuple[str, ...] | Unread]", self.ask([ListFolder(path) for path in paths]))

    def folder(self, path: str) -> tuple[str, ...] | Unread:
        """List one folder."""
        return self.folders((path,))[0]

    def ranges(self, asks: Iterable[tuple[str, int, int]]) -> list[bytes | Unread]:
        """Read parts of files, each given as path, offset, length."""
        return cast("list[bytes | Unread]", self.ask([ReadRange(*span) for span in asks]))

    def kernel_log(self) -> KernelLogRead | Unread:
        """Take the kernel log records that came since the last call."""
        return cast("KernelLogRead | Unread", self.ask((ReadKernelLog(),))[0])

    def journal(self, boot: int = 0, lines: int = 20_000, since_unix: float | None = None) -> tuple[str, ...] | Unread:
        """Take the kernel's messages of a boot from the journal: 0 is this one, -1 the one before."""
        return cast("tuple[str, ...] | Unread", self.ask((ReadJournal(boot, lines, since_unix),))[0])

    def uevents(self) -> tuple[dict[str, str], ...] | Unread:
        """Take the device events that came since the last call."""
        return cast("tuple[dict[str, str], ...] | Unread", self.ask((ReadUevents(),))[0])

    def clock(self) -> Clock:
        """Ask the time, once for a whole pass."""
        return cast("Clock", self.ask((ReadClock(),))[0])


def resolve_link(path: str, target: str) -> str:
    """Join a link's raw target to the link's own folder, without touching the machine.

    Returns:
        The canonical path meant, if no component of it is itself a link (true of sysfs class links).
    """
    return os.path.normpath(os.path.join(os.path.dirname(path), target))  # noqa: PTH118, PTH120 (text only, no file touched)
