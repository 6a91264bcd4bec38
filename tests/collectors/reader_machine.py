"""A reader over a tree of files, with its socket, and what asks it."""

import contextlib
import os
import socket
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from laneproof_collectors import reader as module
from laneproof_collectors.reader import GuardedHost, Reader
from laneproof_collectors.reader_host import ReaderHost

FUNCTION = "/sys/devices/pci0000:00/0000:00:01.1"
TABLE = "/sys/firmware/dmi/tables/DMI"


def make_tree(top: Path) -> Path:
    """Lay out a machine: what anybody may read of it, and what only root may."""
    for path, content in {
        f"{FUNCTION}/vendor": b"0x1b36\n",
        f"{FUNCTION}/config": bytes(range(256)) * 16,
        TABLE: b"\x7f\x04table",
        "/dev/kmsg": b"6,1,100,-;nvme nvme0: ready\n",
        "/dev/nvme0": b"",
    }.items():
        (top / path[1:]).parent.mkdir(parents=True, exist_ok=True)
        (top / path[1:]).write_bytes(content)
    return top


class OrdinaryHost(ReaderHost):
    """A reader's host of a user who is not root, whoever runs the tests."""

    def _open(self, path: str) -> int:
        if path == TABLE:
            raise PermissionError(13, os.strerror(13))
        return super()._open(path)


class Listening(socket.socket):
    """A listening socket that takes no more connections once it is told so."""

    stopped = False

    def accept(self) -> tuple[socket.socket, object]:
        if self.stopped:
            raise OSError("stopped")
        return super().accept()


def listen(path: Path) -> Listening:
    listening = Listening(socket.AF_UNIX)
    listening.bind(str(path))
    listening.listen(30)
    return listening


@contextmanager
def running(host: GuardedHost, path: Path, groups: frozenset[int] = frozenset()) -> Iterator[Reader]:
    """Let a reader answer at a socket, and take the socket away afterwards."""
    reader = Reader(host, groups)
    with listen(path) as listening, pytest.MonkeyPatch.context() as patch:
        patch.setattr(module, "IDLE_SECONDS", 0.05)  # how soon it notices that it is to stop
        thread = threading.Thread(target=_serve, args=(reader, listening), daemon=True)
        thread.start()
        try:
            yield reader
        finally:
            listening.stopped = True
            thread.join()
    path.unlink()


def _serve(reader: Reader, listening: socket.socket) -> None:
    with contextlib.suppress(OSError):
        while True:
            reader.serve(listening)
