"""Another program's part of the door (see ``host.py``): runs it, and ends what was started.

Rules of this module: the program is one of the system's own folders, runs without our environment, gets no more time
and gives no more text than was said, and is gone when the answer is given, or when this process stops asking.
What it does not do: understand what the program wrote.
"""

import os
import selectors
import subprocess  # noqa: TID251 (a part of the Host)
import time
from collections.abc import Sequence
from dataclasses import dataclass

from laneproof_collectors.unread import Reason, Unread

PATH = "/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin"

_CHUNK_BYTES = 1 << 16
_LAST_WORDS_SECONDS = 2.0  # between the end of a program's output and its own

_running: set["subprocess.Popen[bytes]"] = set()


@dataclass(frozen=True, slots=True, kw_only=True)
class Ended:
    """How a program ended: its status, and what it wrote on both its outputs."""

    status: int
    output: bytes
    complaint: bytes


def run_program(what: str, call: Sequence[str], *, deadline_seconds: float, limit_bytes: int) -> Ended | Unread:
    """Run a program to its end; what it is asked for is named as a person would.

    Returns:
        How it ended; or why there is nothing of it.
    """
    try:
        run = subprocess.Popen(  # noqa: S603 (fixed programs of the system; no shell)
            call,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            env={"PATH": PATH, "LC_ALL": "C"},
        )
    except FileNotFoundError:
        return Unread(what, f"{call[0]} is not installed", Reason.ABSENT, "ENOENT")
    with run:
        _running.add(run)
        try:
            output, complaint = _read_both(run, limit_bytes, until=time.monotonic() + deadline_seconds)
            run.wait(_LAST_WORDS_SECONDS if len(output) <= limit_bytes else 0)
        except TimeoutError:
            return Unread(what, f"no end within {deadline_seconds:g} s", Reason.TIMED_OUT, "ETIMEDOUT")
        except subprocess.TimeoutExpired:
            pass  # all that it wrote was read
        finally:
            run.kill()
            _running.discard(run)
    if len(output) > limit_bytes:
        return Unread(what, f"it gave more than {limit_bytes} bytes", Reason.MALFORMED, "EFBIG")
    return Ended(status=run.returncode, output=output, complaint=complaint)


def end_programs() -> None:
    """End whatever still runs: this process stops."""
    for run in tuple(_running):
        run.kill()


def _read_both(run: "subprocess.Popen[bytes]", limit_bytes: int, *, until: float) -> tuple[bytes, bytes]:
    """Read what a program writes on both its outputs, until it ends or has written more than is taken of it.

    Raises:
        TimeoutError: It did neither in time.
    """
    output, complaint = bytearray(), bytearray()
    with selectors.DefaultSelector() as selector:
        for stream, into in ((run.stdout, output), (run.stderr, complaint)):
            if stream is not None:
                selector.register(stream, selectors.EVENT_READ, into)
        while selector.get_map() and len(output) <= limit_bytes:
            ready = selector.select(max(0.0, until - time.monotonic()))
            if not ready or time.monotonic() > until:
                raise TimeoutError
            for key, _ in ready:
                chunk = os.read(key.fd, _CHUNK_BYTES)
                if not chunk:
                    selector.unregister(key.fileobj)
                elif key.data is output or len(complaint) <= _CHUNK_BYTES:
                    key.data.extend(chunk)
    return bytes(output), bytes(complaint)
