"""A host that answers every question with what no machine should say: for collectors that must never raise."""

from collections.abc import Callable, Sequence
from typing import Any

from hypothesis import strategies as st

from laneproof_collectors.host import Host
from laneproof_collectors.questions import (
    Answer,
    FileSystem,
    FileSystemFigures,
    ListFolder,
    Question,
    ReadFile,
    ReadLink,
    ReadRange,
    name_question,
)
from laneproof_collectors.unread import Reason, Unread

NUMBERS = st.integers(-(2**70), 2**70).map(lambda number: f"{number}\n".encode())
TEXTS = st.sampled_from(
    [b"", b"\n", b"none\n", b"invalid\n", b"N/A\n", b"1 / 0\n", b"3 (2)\n", b"nan\n", b"\xff\xfe\0"]
)
LINKS = st.sampled_from(["", "/", "..", "../../x", "../../../0000:01:00.0", "../../devices/virtual/net/x", "a" * 300])


class NonsenseHost(Host):
    """Answers drawn by Hypothesis; folders hold some of the given names, so that a collector goes deeper."""

    def __init__(self, draw: Callable[[st.SearchStrategy[Any]], Any], names: Sequence[str]) -> None:
        self._draw = draw
        self._names = names

    def ask(self, questions: Sequence[Question]) -> list[Answer]:
        return [self._answer(question) for question in questions]

    def _answer(self, question: Question) -> Answer:
        what = name_question(question)
        failed = st.sampled_from(list(Reason)).map(lambda reason: Unread(what, "made up", reason))
        match question:
            case ReadFile() | ReadRange():
                answer = st.one_of(NUMBERS, TEXTS, st.binary(max_size=64), failed)
            case ListFolder():
                answer = st.one_of(st.lists(st.sampled_from(self._names), unique=True).map(tuple), failed)
            case ReadLink():
                answer = st.one_of(LINKS, failed)
            case FileSystem():
                figures = st.integers(0, 2**80).map(
                    lambda size: FileSystemFigures(size_bytes=size, free_bytes=0, available_bytes=size, read_only=False)
                )
                answer = st.one_of(figures, failed)
            case _:
                answer = failed
        return self._draw(answer)
