"""``laneproof-reader``: the one process with privilege. It answers the Host's questions over a socket, nothing else.

systemd holds its socket and starts it at the first connection; ``--socket PATH`` makes one without systemd. Who may ask
is decided by the kernel's word for who connected; what is answered, by the list in ``reader_allowed.py``, whatever is
asked. The kernel's log is not copied: its descriptor, open for reading, is handed over.

Rules of this module: it imports little, parses nothing of what it reads, keeps nothing, and writes nowhere but to its
connections and its log. A connection that says what is no message is closed.
"""

import contextlib
import ctypes
import errno
import grp
import os
import socket
import stat
import struct
import sys
import threading
from collections import Counter
from collections.abc import Sequence

from laneproof_collectors.live_host import READ_FLAGS, LiveHost
from laneproof_collectors.passed_socket import take_passed_socket
from laneproof_collectors.questions import (
    Answer,
    FileSystem,
    Question,
    ReadJournal,
    ReadKernelLog,
    name_question,
    unread_from_errno,
)
from laneproof_collectors.reader_allowed import ROOTS, is_allowed
from laneproof_collectors.reader_messages import (
    LENGTH,
    QUESTIONS_LIMIT_BYTES,
    MessageError,
    decode_questions,
    encode_answer,
)
from laneproof_collectors.reader_seal import seal
from laneproof_collectors.unread import Reason, Unread

MOST_CONNECTIONS = 24
"""Of one user at a time: the service holds one for each collector that waits."""
IDLE_SECONDS = 600.0
"""How long it stays when nobody is connected: systemd starts it again."""

_CREDENTIALS = struct.Struct("3i")  # unix(7), SO_PEERCRED: struct ucred
_SO_PEERGROUPS = 59  # include/uapi/asm-generic/socket.h
_MOST_GROUPS = 256  # Python takes no more of such an answer
_NOT_GIVEN = "the reader does not give this"


class GuardedHost(LiveHost):
    """The live host, but no link leads it out of the folder that was meant, and it reads plain files only."""

    def _open(self, path: str) -> int:
        root = next((root for root in ROOTS if path.startswith(f"{root}/")), None)
        if root is None:
            raise PermissionError(errno.EACCES, _NOT_GIVEN)
        # Found first, opened only then: openat2(2) would do both, but no unit with a dynamic user has it
        # (systemd.exec(5), RestrictSUIDSGID).
        found = os.open(self._root + path, os.O_PATH | os.O_CLOEXEC)
        try:
            about, folder = os.fstat(found), os.path.realpath(self._root + root)
            is_below = os.readlink(f"/proc/self/fd/{found}").startswith(f"{folder}/")  # noqa: PTH115 (text by contract)
            # In sysfs a mount of something else, such as debugfs, is none of ours.
            is_other = root == "/sys" and about.st_dev != os.stat(folder).st_dev  # noqa: PTH116 (likewise)
            if not is_below or is_other or not stat.S_ISREG(about.st_mode):
                raise PermissionError(errno.EACCES, _NOT_GIVEN)
            return os.open(f"/proc/self/fd/{found}", READ_FLAGS)
        finally:
            os.close(found)

    def _answer(self, question: Question) -> Answer:
        if isinstance(question, FileSystem) and not _is_mount(question.path):
            return unread_from_errno(name_question(question), errno.EACCES)
        return super()._answer(question)

    def hand_over_kernel_log(self) -> int:
        """Open the kernel's log for somebody else.

        Raises:
            OSError: It cannot be opened.
        """
        return self._open_kernel_log()


def _is_mount(path: str) -> bool:
    """Whether something is mounted there: of all else there are no figures to give."""
    wanted = "".join(f"\\{ord(letter):03o}" if letter in " \t\n\\" else letter for letter in path)
    with open("/proc/self/mountinfo", encoding="utf-8", errors="surrogateescape") as table:  # noqa: PTH123 (small)
        return any(line.split(" ", 5)[4] == wanted for line in table)


class Reader:
    """Answers whoever may ask, a thread a connection."""

    def __init__(self, host: GuardedHost, groups: frozenset[int] = frozenset()) -> None:
        """Make a reader; members of these groups may ask, beside root and the user that it runs as."""
        self._host = host
        self._groups = groups
        self._connected: Counter[int] = Counter()
        self._lock = threading.Lock()

    def serve(self, listening: socket.socket) -> None:
        """Answer connections until none has come for a while and none is open."""
        listening.settimeout(IDLE_SECONDS)
        while True:
            try:
                connection, _ = listening.accept()
            except TimeoutError:
                if not self._connected.total():
                    return
                continue
            if (user := self._admit(connection)) is None:
                connection.close()
                continue
            try:
                threading.Thread(target=self._answer, args=(connection, user), daemon=True).start()
            except RuntimeError as error:  # the system gives no thread
                _warn(f"a connection was closed: {error}")
                self._leave(connection, user)

    def _admit(self, connection: socket.socket) -> int | None:
        """Give the user that connected, None where it may not ask."""
        raw = connection.getsockopt(socket.SOL_SOCKET, socket.SO_PEERCRED, _CREDENTIALS.size)
        _, user, group = _CREDENTIALS.unpack(raw)
        if user not in (0, os.getuid()) and self._groups.isdisjoint({group, *_find_groups(connection)}):
            _warn(f"user {user} may not ask: it is not of the group that may")
            return None
        with self._lock:
            if self._connected[user] >= MOST_CONNECTIONS:
                _warn(f"user {user} has {MOST_CONNECTIONS} connections, and gets no more")
                return None
            self._connected[user] += 1
        return int(user)

    def _leave(self, connection: socket.socket, user: int) -> None:
        connection.close()
        with self._lock:
            self._connected[user] -= 1

    def _answer(self, connection: socket.socket, user: int) -> None:
        try:
            with contextlib.suppress(OSError):  # the other end is gone
                while (body := receive(connection, QUESTIONS_LIMIT_BYTES)) is not None:
                    self._answer_batch(connection, decode_questions(body))
        except MessageError as error:
            _warn(f"user {user} sent what is no message: {error}")
        finally:
            self._leave(connection, user)

    def _answer_batch(self, connection: socket.socket, questions: Sequence[Question]) -> None:
        if ReadKernelLog() in questions:
            if len(questions) > 1:
                raise MessageError("the kernel's log is asked for alone")
            self._hand_over(connection)
            return
        allowed = iter(self._host.ask([question for question in questions if is_allowed(question)]))
        for question in questions:
            refused = Unread(name_question(question), _NOT_GIVEN, Reason.DENIED, "EACCES")
            connection.sendall(encode_answer(next(allowed) if is_allowed(question) else refused))
        if any(isinstance(question, ReadJournal) for question in questions):
            del allowed
            _give_memory_back()

    def _hand_over(self, connection: socket.socket) -> None:
        try:
            descriptor = self._host.hand_over_kernel_log()
        except OSError as error:
            connection.sendall(encode_answer(unread_from_errno("the kernel log", error.errno or errno.EIO)))
            return
        try:
            socket.send_fds(connection, [encode_answer("descriptor")], [descriptor])
        finally:
            os.close(descriptor)


def _give_memory_back() -> None:
    """A journal may take tens of megabytes, once a boot; what it left is not kept. Source: malloc_trim(3), of glibc."""
    with contextlib.suppress(AttributeError):
        ctypes.CDLL(None).malloc_trim(0)


def _find_groups(connection: socket.socket) -> tuple[int, ...]:
    """Give the further groups of whoever connected. Source: Linux net/core/sock.c, SO_PEERGROUPS (4.13)."""
    try:
        raw = connection.getsockopt(socket.SOL_SOCKET, _SO_PEERGROUPS, 4 * _MOST_GROUPS)
    except OSError:  # it is of more than that
        return ()
    return struct.unpack(f"{len(raw) // 4}I", raw)


def receive(connection: socket.socket, limit_bytes: int) -> bytes | None:
    """Receive one message's body; None where the other end closed before it.

    Raises:
        MessageError: It is longer than allowed, or cut off.
        OSError: The connection failed.
    """
    head = _receive_exactly(connection, LENGTH.size)
    if not head:
        return None
    if len(head) < LENGTH.size or (length := LENGTH.unpack(head)[0]) > limit_bytes:
        raise MessageError("cut off, or longer than allowed")
    body = _receive_exactly(connection, length)
    if len(body) < length:
        raise MessageError("cut off")
    return body


def _receive_exactly(connection: socket.socket, length: int) -> bytes:
    parts = bytearray()
    while len(parts) < length and (part := connection.recv(min(length - len(parts), 1 << 16))):
        parts += part
    return bytes(parts)


def _listen(path: str | None) -> socket.socket:
    """Take the socket that systemd passed, or make one.

    Raises:
        OSError: None was passed and none is named, or it cannot be made.
    """
    if path is not None:
        listening = socket.socket(socket.AF_UNIX)
        listening.bind(path)
        listening.listen(MOST_CONNECTIONS)
        return listening
    if (passed := take_passed_socket()) is None:
        raise OSError(errno.ENOTSOCK, "systemd passed no socket; name one with --socket PATH")
    return passed


def _warn(sentence: str) -> None:
    sys.stderr.write(f"<4>{sentence}\n")  # sd-daemon(3): a warning


def main(arguments: Sequence[str] | None = None) -> int:
    """Run ``laneproof-reader [--socket PATH] [--group NAME]``."""
    words = sys.argv[1:] if arguments is None else arguments
    options = dict(zip(words[::2], words[1::2], strict=False))
    if len(words) % 2 or options.keys() - {"--socket", "--group"}:
        sys.stderr.write("laneproof-reader takes --socket PATH and --group NAME; systemd starts it\n")
        return os.EX_USAGE
    name = options.get("--group")
    try:
        groups = frozenset((grp.getgrnam(name).gr_gid,) if name else ())
        listening = _listen(options.get("--socket"))
    except KeyError:
        sys.stderr.write(f"laneproof-reader: there is no group {name}, whose members may ask: groupadd -r {name}\n")
        return os.EX_CONFIG
    except OSError as error:
        sys.stderr.write(f"laneproof-reader: {error.strerror or error}\n")
        return os.EX_CONFIG
    if not seal():
        _warn("on this machine the reader cannot give up what it does not use of the NVMe driver")
    with listening:
        Reader(GuardedHost(), groups).serve(listening)
    return os.EX_OK


if __name__ == "__main__":
    sys.exit(main())
