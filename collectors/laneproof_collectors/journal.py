"""The journal's half of the door (see ``host.py``, which alone calls it): runs journalctl, and ends what it started.

Rules of this module: the program runs without our environment, gets no more time and gives no more text than is set
here, and is gone when the answer is given. What it does not do: understand a line (see ``kernel_records.py``).
"""

import os
import selectors
import subprocess  # noqa: TID251 (a part of the Host)
import time

from laneproof_collectors.unread import Reason, Unread

DEADLINE_SECONDS = 30.0
"""How long it may take: the journal is searched, on storage that may be slow, and in no pass's way."""

LIMIT_BYTES = 16 << 20
"""How much is taken: some 40,000 lines of the fields that are asked for."""

PATH = "/usr/bin:/bin"

_FIELDS = (
    "MESSAGE", "PRIORITY", "SYSLOG_FACILITY", "_TRANSPORT", "_SOURCE_MONOTONIC_TIMESTAMP", "_KERNEL_SUBSYSTEM",
    "_KERNEL_DEVICE",
)  # fmt: skip
"""What of an entry is wanted, beside its times and boot, which are always there (journalctl(1), --output-fields)."""

_CHUNK_BYTES = 1 << 16
_LAST_WORDS_SECONDS = 2.0  # between the end of a program's output and its own


def run_journalctl(what: str, boot: int, lines: int, since_unix: float | None = None) -> tuple[str, ...] | Unread:
    """Read the kernel's messages of one boot.

    Args:
        what: What is asked for, as a person would name it.
        boot: 0 for this boot, -1 for the one before.
        lines: How many at most, the latest.
        since_unix: Only what was received at this time or later, unix seconds; None for all of the boot.

    Returns:
        One JSON object a line, oldest first; or why there are none.
    """
    call = ["-k", "-b", str(boot), "-o", "json", "--no-pager", "-n", str(lines), f"--output-fields={','.join(_FIELDS)}"]
    if since_unix is not None:
        call.append(f"--since=@{max(0, int(since_unix))}")  # systemd.time(7): unix seconds
    try:
        run = subprocess.Popen(  # noqa: S603 (a fixed program, numbers for arguments)
            ["journalctl", *call],  # noqa: S607 (found in the system's own folders only)
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            env={"PATH": PATH, "LC_ALL": "C"},
        )
    except FileNotFoundError:
        return Unread(what, "journalctl is not installed", Reason.ABSENT, "ENOENT")
    with run:
        try:
            output, complaint = _read_both(run, until=time.monotonic() + DEADLINE_SECONDS)
            run.wait(_LAST_WORDS_SECONDS if len(output) <= LIMIT_BYTES else 0)
        except TimeoutError:
            why = f"no end within {DEADLINE_SECONDS:g} s"
            return Unread(what, why, Reason.TIMED_OUT, "ETIMEDOUT")
        except subprocess.TimeoutExpired:
            pass  # all that it wrote was read
        finally:
            run.kill()
    if len(output) > LIMIT_BYTES:
        return Unread(what, f"it gave more than {LIMIT_BYTES} bytes", Reason.MALFORMED, "EFBIG")
    text = output.decode("utf-8", "replace")
    if run.returncode and not text:
        return _no_journal(what, complaint.decode("utf-8", "replace").strip())
    return tuple(line for line in text.split("\n") if line.startswith("{"))


def _read_both(run: "subprocess.Popen[bytes]", *, until: float) -> tuple[bytes, bytes]:
    """Read what a program writes on both its outputs, until it ends or has written more than is taken of it.

    Raises:
        TimeoutError: It did neither in time.
    """
    output, complaint = bytearray(), bytearray()
    with selectors.DefaultSelector() as selector:
        for stream, into in ((run.stdout, output), (run.stderr, complaint)):
            if stream is not None:
                selector.register(stream, selectors.EVENT_READ, into)
        while selector.get_map() and len(output) <= LIMIT_BYTES:
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


def _no_journal(what: str, said: str) -> Unread:
    """Say why there is nothing in journalctl's own last words: the reason comes after its hints."""
    why = said.rsplit("\n", 1)[-1] or "journalctl gave nothing"
    if "permission" in said.lower():
        return Unread(what, why, Reason.DENIED, "EACCES")
    return Unread(what, why, Reason.ABSENT, "ENOENT")
