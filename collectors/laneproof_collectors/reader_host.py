"""The fourth Host: reads itself what anybody may read, and asks ``laneproof-reader`` for what only root may.

Rules of this module: the answers are those that the live host gives to root. A reader that starts again costs a new
connection and nothing else; what it cannot be asked for is unread, with the reason. The kernel's log is read here, from
the descriptor that the reader handed over, so it goes on from record to record also while there is no reader.
"""

import errno
import os
import socket
from collections.abc import Sequence

from laneproof_collectors.live_host import LiveHost
from laneproof_collectors.questions import (
    Answer,
    FileSystem,
    ListFolder,
    NvmeFeature,
    NvmeIdentify,
    NvmeLog,
    Question,
    ReadFile,
    ReadJournal,
    ReadKernelLog,
    ReadLink,
    ReadRange,
    Smartctl,
    name_question,
)
from laneproof_collectors.reader import receive
from laneproof_collectors.reader_messages import (
    ANSWER_LIMIT_BYTES,
    LENGTH,
    MOST_QUESTIONS,
    MessageError,
    decode_answer,
    encode_questions,
)
from laneproof_collectors.unread import Reason, Unread

ANSWER_SECONDS = 60.0
"""How long the reader may say nothing: it gives up a hung drive much sooner, and the journal after 30 s."""
MOST_IDLE = 4
_ATTEMPTS = 2  # the reader may have been started again since it was last asked
KERNEL_LOG_SECONDS = 5.0
"""How long the kernel's log is waited for, once: who watches waits in the same thread."""
_OF_FILES = (ReadFile, ReadRange, ReadLink, ListFolder, FileSystem)
_FOR_ROOT = (NvmeIdentify, NvmeLog, NvmeFeature, Smartctl, ReadJournal)
_SHORT_BYTES = 8192  # a message that holds no more than a sentence
_CONFIG = "/config"  # drivers/pci/pci-sysfs.c, pci_read_config: whoever is not root gets the first 64 bytes


class ReaderHost(LiveHost):
    """This machine, as root would read it."""

    def __init__(self, path: str, root: str = "/") -> None:
        """Open the door by the path of the reader's socket; the reader is connected when it is first asked."""
        super().__init__(root)
        self._path = path
        self._connections: list[socket.socket] = []

    def ask(self, questions: Sequence[Question]) -> list[Answer]:
        """Answer a batch: first what anybody may read, then the rest in one round trip."""
        own = [position for position, question in enumerate(questions) if not _is_for_root(question)]
        answers: list[Answer | None] = [None] * len(questions)
        for position, answer in zip(own, super().ask([questions[position] for position in own]), strict=True):
            answers[position] = answer
        left = [
            position
            for position, answer in enumerate(answers)
            if answer is None or (isinstance(questions[position], _OF_FILES) and _is_denied(answer))
        ]
        for begin in range(0, len(left), MOST_QUESTIONS):
            batch = left[begin : begin + MOST_QUESTIONS]
            for position, answer in zip(batch, self._ask_reader([questions[at] for at in batch]), strict=True):
                if answers[position] is None or not isinstance(answer, Unread):
                    answers[position] = answer
        return [answer for answer in answers if answer is not None]

    def close(self) -> None:
        """Close the connections, and what the live host holds."""
        super().close()
        with self._lock:
            connections, self._connections = self._connections, []
        for connection in connections:
            connection.close()

    def _ask_reader(self, questions: Sequence[Question]) -> list[Answer]:
        """Ask the reader; where it went away meanwhile, ask it again for what it had not answered yet."""
        answers: list[Answer] = []
        why: Unread | None = None
        for _ in range(_ATTEMPTS):
            try:
                connection = self._connect()
            except OSError as error:
                why = self._explain(error)
                break
            try:
                connection.sendall(encode_questions(questions[len(answers) :]))
                while len(answers) < len(questions):
                    answers.append(_receive_answer(connection))
            except (OSError, MessageError) as error:
                connection.close()
                why = self._explain(error)
                if isinstance(error, TimeoutError):
                    break
            else:
                self._rest_connection(connection)
                return answers
        reason = why or Unread("the reader", "it does not answer", Reason.FAILED)
        return answers + [
            Unread(name_question(question), reason.why, reason.reason, reason.detail)
            for question in questions[len(answers) :]
        ]

    def _connect(self) -> socket.socket:
        with self._lock:
            if self._connections:
                return self._connections.pop()
        connection = socket.socket(socket.AF_UNIX)
        try:
            connection.settimeout(ANSWER_SECONDS)
            connection.connect(self._path)
        except OSError:
            connection.close()
            raise
        return connection

    def _rest_connection(self, connection: socket.socket) -> None:
        with self._lock:
            if len(self._connections) < MOST_IDLE:
                self._connections.append(connection)
                return
        connection.close()

    def _explain(self, error: OSError | MessageError) -> Unread:
        """Say why the reader gives nothing."""
        number = error.errno if isinstance(error, OSError) else None
        if isinstance(error, TimeoutError):
            why = f"the reader gave no answer within {ANSWER_SECONDS:g} s"
            return Unread("the reader", why, Reason.TIMED_OUT, "ETIMEDOUT")
        if number in (errno.EACCES, errno.EPERM):
            why = f"the reader at {self._path} does not let this user ask"
            return Unread("the reader", why, Reason.DENIED, "EACCES")
        said = (error.strerror if isinstance(error, OSError) else None) or str(error)
        why = f"the reader at {self._path} does not answer ({said.lower()})"
        return Unread("the reader", why, Reason.FAILED, errno.errorcode.get(number or errno.EPIPE, "EPIPE"))

    def _open_kernel_log(self) -> int:
        """Let the reader hand over the kernel's log.

        Raises:
            OSError: It does not.
        """
        for attempt in range(_ATTEMPTS):
            try:
                connection = self._connect()
            except FileNotFoundError as error:  # not the log is missing
                raise ConnectionRefusedError(errno.ECONNREFUSED, str(error)) from error
            with connection:
                connection.settimeout(KERNEL_LOG_SECONDS)
                try:
                    connection.sendall(encode_questions((ReadKernelLog(),)))
                    return _receive_descriptor(connection)
                except ConnectionError:
                    if attempt + 1 == _ATTEMPTS:
                        raise
        raise ConnectionResetError(errno.ECONNRESET, os.strerror(errno.ECONNRESET))


def _is_for_root(question: Question) -> bool:
    return isinstance(question, _FOR_ROOT) or (
        isinstance(question, ReadFile | ReadRange) and question.path.endswith(_CONFIG)
    )


def _is_denied(answer: Answer) -> bool:
    return isinstance(answer, Unread) and answer.reason is Reason.DENIED


def _receive_answer(connection: socket.socket) -> Answer:
    body = receive(connection, ANSWER_LIMIT_BYTES)
    if body is None:
        raise ConnectionResetError(errno.ECONNRESET, "it closed the connection")
    return decode_answer(body)


def _receive_descriptor(connection: socket.socket) -> int:
    """Receive the kernel's log: a message that a descriptor came with, or why there is none.

    Raises:
        OSError: There is none.
    """
    message, descriptors, _, _ = socket.recv_fds(connection, _SHORT_BYTES, 1, socket.MSG_CMSG_CLOEXEC)
    if descriptors:
        return int(descriptors[0])
    if not message:
        raise ConnectionResetError(errno.ECONNRESET, os.strerror(errno.ECONNRESET))
    try:
        answer = decode_answer(message[LENGTH.size :])
    except MessageError as error:
        raise OSError(errno.EPROTO, os.strerror(errno.EPROTO)) from error
    number = getattr(errno, answer.detail, errno.EIO) if isinstance(answer, Unread) else errno.EPROTO
    raise OSError(number, os.strerror(number))
