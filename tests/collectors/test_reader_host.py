"""The reader's host: as root would read, over a reader that starts again, is gone, hangs or lets nobody in."""

import os
import socket
import threading
from collections.abc import Iterator, Sequence
from pathlib import Path

import pytest

from collectors.reader_machine import FUNCTION, TABLE, OrdinaryHost, listen, make_tree, running
from laneproof_collectors import reader_host as module
from laneproof_collectors.live_host import LiveHost
from laneproof_collectors.questions import (
    Answer,
    KernelLogRead,
    ListFolder,
    NvmeIdentify,
    Question,
    ReadFile,
    ReadKernelLog,
    ReadRange,
)
from laneproof_collectors.reader import GuardedHost
from laneproof_collectors.unread import Reason, Unread
from support.unread_answers import known, unread

WHOLE: list[Question] = [
    ReadFile(f"{FUNCTION}/vendor"),
    ReadFile(TABLE),
    ReadRange(f"{FUNCTION}/config", 0, 4096),
    ListFolder(FUNCTION),
    ReadFile("/sys/none"),
    NvmeIdentify("nvme0"),
]


@pytest.fixture
def tree(tmp_path: Path) -> Path:
    return make_tree(tmp_path / "tree")


@pytest.fixture
def host(tree: Path, tmp_path: Path) -> Iterator[OrdinaryHost]:
    host = OrdinaryHost(str(tmp_path / "sock"), str(tree))
    yield host
    host.close()


@pytest.fixture
def drive(monkeypatch: pytest.MonkeyPatch) -> list[int]:
    """Let drives answer each command with zeros, and count the commands."""
    commands: list[int] = []
    monkeypatch.setattr(
        "laneproof_collectors.live_host.fcntl.ioctl", lambda _, __, command, ___: commands.append(command[0]) or 0
    )
    return commands


@pytest.mark.usefixtures("drive")
def test_the_answers_are_those_of_the_live_host(host: OrdinaryHost, tree: Path, tmp_path: Path) -> None:
    live = LiveHost(str(tree))
    with running(GuardedHost(str(tree)), tmp_path / "sock"):
        assert host.ask(WHOLE) == live.ask(WHOLE)
        many = [ReadRange(f"{FUNCTION}/config", offset, 16) for offset in range(0, 4096, 16)]
        assert host.ask(many) == live.ask(many)
    live.close()


def test_only_what_is_for_root_is_asked_of_the_reader(host: OrdinaryHost, tree: Path, tmp_path: Path) -> None:
    class Listening(GuardedHost):
        asked: list[Question] = []  # noqa: RUF012 (one machine, one list)

        def ask(self, questions: Sequence[Question]) -> list[Answer]:
            self.asked += questions
            return super().ask(questions)

    with running(Listening(str(tree)), tmp_path / "sock"):
        host.ask(WHOLE[:-1])
    assert Listening.asked == [WHOLE[1], WHOLE[2]]


def test_a_reader_that_starts_again_costs_nothing(
    host: OrdinaryHost, tree: Path, tmp_path: Path, drive: list[int]
) -> None:
    for _ in range(3):
        with running(GuardedHost(str(tree)), tmp_path / "sock"):
            assert host.file(TABLE) == b"\x7f\x04table"
            assert host.ask([NvmeIdentify("nvme0")]) == [bytes(4096)]
        for connection in host._connections:
            connection.shutdown(socket.SHUT_RDWR)  # as a process that ended
    assert drive == [0x06] * 3


def test_without_a_reader_what_is_for_root_is_unread_with_the_reason(host: OrdinaryHost, tmp_path: Path) -> None:
    vendor, table, config, _, absent, identity = host.ask(WHOLE)
    assert vendor == b"0x1b36\n"
    assert unread(table).reason is Reason.DENIED  # what this user itself was answered
    assert unread(absent).reason is Reason.ABSENT
    for answer in map(unread, (config, identity)):
        assert answer.reason is Reason.FAILED
        assert answer.why == f"the reader at {tmp_path}/sock does not answer (no such file or directory)"


def test_a_reader_that_lets_this_user_not_in_says_so(host: OrdinaryHost, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(*_: object) -> None:
        raise PermissionError(13, os.strerror(13))

    monkeypatch.setattr(host, "_connect", refuse)
    (answer,) = host.ask([NvmeIdentify("nvme0")])
    assert isinstance(answer, Unread)
    assert (answer.reason, "does not let this user ask" in answer.why) == (Reason.DENIED, True)


def test_a_reader_that_closes_each_time_or_talks_nonsense_is_given_up(host: OrdinaryHost, tmp_path: Path) -> None:
    for said in (b"", b"\0\0\0\x02{}"):
        with listen(tmp_path / "sock") as listening:
            thread = threading.Thread(target=_say, args=(listening, said))
            thread.start()
            (answer,) = host.ask([NvmeIdentify("nvme0")])
            thread.join()
        (tmp_path / "sock").unlink()
        assert isinstance(answer, Unread)
        assert (answer.reason, answer.what) == (Reason.FAILED, "Identify of nvme0")


def _say(listening: socket.socket, said: bytes) -> None:
    for _ in range(module._ATTEMPTS):
        connection, _ = listening.accept()
        with connection:
            connection.recv(4096)
            connection.sendall(said)


def test_a_reader_that_says_nothing_is_given_up_in_time(
    host: OrdinaryHost, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(module, "ANSWER_SECONDS", 0.2)
    with listen(tmp_path / "sock"):
        (answer,) = host.ask([NvmeIdentify("nvme0")])
    assert unread(answer).reason is Reason.TIMED_OUT


def test_the_kernels_log_goes_on_while_the_reader_is_gone(host: OrdinaryHost, tree: Path, tmp_path: Path) -> None:
    ring = tree / "dev/kmsg"
    assert isinstance(host.kernel_log(), Unread)
    with running(GuardedHost(str(tree)), tmp_path / "sock"):
        assert host.kernel_log() == KernelLogRead(records=("6,1,100,-;nvme nvme0: ready",), lost=1)
    with ring.open("ab") as out:
        out.write(b"3,2,200,-;nvme nvme0: I/O 12 QID 3 timeout, aborting\n")
    read = known(host.kernel_log())
    assert [record.partition(";")[2] for record in read.records] == ["nvme nvme0: I/O 12 QID 3 timeout, aborting"]
    assert host.wait(5.0)  # the log's own descriptor ends the wait


def test_a_log_that_the_reader_may_not_open_is_unread(host: OrdinaryHost, tree: Path, tmp_path: Path) -> None:
    (tree / "dev/kmsg").unlink()
    with running(GuardedHost(str(tree)), tmp_path / "sock"):
        answers = host.ask([ReadKernelLog()])
    (answer,) = answers
    assert unread(answer).reason is Reason.ABSENT


def test_a_descriptor_for_reading_cannot_be_written_to(host: OrdinaryHost, tree: Path, tmp_path: Path) -> None:
    with running(GuardedHost(str(tree)), tmp_path / "sock"):
        host.kernel_log()
    assert host._kernel_log is not None
    with pytest.raises(OSError, match="Bad file descriptor"):
        os.write(host._kernel_log.fileno(), b"<0>nonsense")
