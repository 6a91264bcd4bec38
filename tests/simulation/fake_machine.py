"""A Host on files that the test itself lays out, for a collector: make single reads fail, see what was asked."""

import errno
import json
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any, TypeVar

from pyfakefs.fake_filesystem import FakeFilesystem

from laneproof_collectors.host import Host
from laneproof_collectors.live_host import LiveHost
from laneproof_collectors.questions import (
    Answer,
    ListFolder,
    Question,
    ReadFile,
    ReadLink,
    ReadRange,
    Smartctl,
    name_question,
    unread_from_errno,
)
from laneproof_collectors.recorded_host import RecordedHost
from laneproof_collectors.recorder import RecordingHost
from laneproof_collectors.recording import parse_frames, parse_header

_Facts = TypeVar("_Facts")
Tree = dict[str, str | bytes | None]
"""Files by their path, as `FakeMachine.put` takes them."""


def replay(machine: Host, read: Callable[[Host], _Facts]) -> tuple[_Facts, _Facts]:
    """Read facts twice: from a machine while it is recorded, and from the recording."""
    recorder = RecordingHost(machine)
    live = read(recorder)
    recorded = RecordedHost(parse_header(recorder.header()), parse_frames([recorder.take_frame()]))
    recorded.advance()
    return live, read(recorded)


def recorded(frame: Mapping[str, Any]) -> RecordedHost:
    """Give a machine as a recording of one frame holds it."""
    host = RecordedHost(parse_header('{"format": "laneproof-recording", "version": 1}'))
    host.apply(next(parse_frames([json.dumps({"t": 1.0, **frame})])))
    return host


class FakeMachine(LiveHost):
    """The live host on a fake file system.

    A question in `answers` is answered so, a path in `faults` by that errno, listed or not; smartctl is not installed.
    """

    def __init__(self, fs: FakeFilesystem, *trees: Mapping[str, str | bytes | None]) -> None:
        super().__init__("/")
        self._fs = fs
        self.faults: dict[str, int] = {}
        self.answers: dict[Question, Answer] = {}
        self.asked: list[str] = []
        for tree in trees:
            self.put(tree)

    def put(self, tree: Mapping[str, str | bytes | None]) -> None:
        """Lay out files; text that begins with ``-> `` is a link's target, ``None`` an empty folder."""
        for path, content in tree.items():
            if content is None:
                self._fs.create_dir(path)
            elif isinstance(content, str) and content.startswith("-> "):
                self._fs.create_symlink(path, content[3:])
            elif Path(path).exists():
                Path(path).write_bytes(content if isinstance(content, bytes) else content.encode())
            else:
                self._fs.create_file(path, contents=content, encoding="utf-8")

    def remove(self, path: str) -> None:
        """Take a file or a folder away."""
        self._fs.remove_object(path)

    def ask(self, questions: Sequence[Question]) -> list[Answer]:
        self.asked += [name_question(question) for question in questions]
        return super().ask(questions)

    def _answer(self, question: Question) -> Answer:
        if isinstance(question, ReadFile | ReadRange | ReadLink | ListFolder) and question.path in self.faults:
            return unread_from_errno(question.path, self.faults[question.path])
        if isinstance(question, Smartctl) and question not in self.answers:
            return unread_from_errno(name_question(question), errno.ENOENT)
        return self.answers[question] if question in self.answers else super()._answer(question)
