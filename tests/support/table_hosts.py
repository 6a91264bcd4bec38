"""Hosts that answer from what a test gives them."""

from collections.abc import Mapping, Sequence

from laneproof_collectors.host import Host
from laneproof_collectors.questions import (
    Answer,
    Clock,
    Question,
    ReadClock,
    ReadRange,
    name_question,
    unread_from_errno,
)
from laneproof_collectors.unread import Unread


class TableHost(Host):
    """A machine that answers from a table; what is not in it is not there."""

    def __init__(self, table: Mapping[Question, Answer]) -> None:
        self.table = dict(table)
        self.clock_reads = 0

    def ask(self, questions: Sequence[Question]) -> list[Answer]:
        return [self._answer(question) for question in questions]

    def _answer(self, question: Question) -> Answer:
        if isinstance(question, ReadClock):
            self.clock_reads += 1
            return Clock(
                unix_seconds=1.8e9 + self.clock_reads, up_seconds=60.0 + self.clock_reads, monotonic_seconds=9.5
            )
        return self.table.get(question, unread_from_errno(name_question(question), 2))


class RangeHost(Host):
    """Answers ranges of files from their content, and keeps what was asked."""

    def __init__(self, contents: Mapping[str, bytes | Unread]) -> None:
        self.contents = contents
        self.asked: list[tuple[int, int]] = []
        self.batches = 0

    def ask(self, questions: Sequence[Question]) -> list[Answer]:
        self.batches += 1
        return [self._answer(question) for question in questions]

    def _answer(self, question: Question) -> Answer:
        assert isinstance(question, ReadRange)
        self.asked.append((question.offset, question.length))
        content = self.contents.get(question.path, unread_from_errno(question.path, 2))
        return content if isinstance(content, Unread) else content[question.offset :][: question.length]
