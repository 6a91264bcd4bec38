"""Reading load on drives, made by fio: the one thing in the program that a drive is asked to work for.

Rules of this module: a load only reads. fio is started by its absolute path, with a clean environment, without job
files, with ``--readonly``, and with no word that could write; what it wrote all the same is read from its own account
and from the kernel's, so that the caller can stop. A load never outlives this process: the kernel ends it where its
parent dies (prctl(2), ``PR_SET_PDEATHSIG``, by way of setpriv), and it has a run time of its own besides.

What it does not do: it judges nothing, and knows no position.
"""

import contextlib
import json
import os
import re
import shutil
import signal
import subprocess
import time
from dataclasses import dataclass, replace
from typing import Any

from laneproof_collectors.programs import PATH
from laneproof_collectors.unread import Reason, Unread

SECONDS_TO_END = 0.7
"""How long fio may take to end by itself once it was asked to; then it is killed."""
_SECONDS_TO_DIE = 5.0  # a process that waits for a dead drive ends once the kernel gives the drive up
_PLAIN_PATH = re.compile(r"/[A-Za-z0-9_.+/-]+")  # fio takes a colon for the end of a name
_MOST_OUTPUT_BYTES = 1 << 22
_FILE_TIMES_BYTES = 256 << 10
"""``write_bytes`` also counts updates of access times, about a page for each file of the program (mount(8), relatime; 4
and 8 KiB were seen): so much is tolerated. A load that wrote would write more. Our choice."""
_WRITTEN = re.compile(rb"^write_bytes: (\d+)$", re.MULTILINE)


@dataclass(frozen=True, slots=True, kw_only=True)
class Job:
    """One load on one disk.

    Attributes:
        disk: The disk's device file.
        is_random: Whether it reads here and there, not in sequence.
        block_bytes: Bytes of one read.
        depth: Reads under way at once.
        seconds: How long it runs.
        rate_bytes: Bytes a second at most; None for as many as there can be.
        pause_microseconds: How long the disk is left alone before each read.
    """

    disk: str
    seconds: float
    is_random: bool = False
    block_bytes: int = 1 << 20
    depth: int = 16
    rate_bytes: int | None = None
    pause_microseconds: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadResult:
    """What one load came to.

    Attributes:
        error: The errno that ended it, 0 for none.
        read_bytes: Bytes read, by fio's account.
        reads: Reads, likewise.
        written_bytes: Bytes written or discarded, by fio's account and by the kernel's, without what it accounts for
            the times of files: 0, or something is very wrong.
        median_us: Time of a read in the middle; None where none ended.
        longest_us: Of the longest read.
    """

    error: int
    read_bytes: int
    reads: int
    written_bytes: int = 0
    median_us: float | None = None
    longest_us: float | None = None


def find_program(name: str) -> str | Unread:
    """Find a program in the system's own folders, whatever the caller's PATH says."""
    found = shutil.which(name, path=PATH)
    return os.path.realpath(found) if found else Unread(name, "it is not installed", Reason.ABSENT, "ENOENT")


def make_command(job: Job, fio: str) -> tuple[str, ...]:
    """Write the command line for a job, for fio at its own path.

    Raises:
        ValueError: The disk's path has a character that fio takes for something else.

    Source: fio(1), version 3.33. ``--thread`` keeps all in one process, so that ending it ends all of it.
    """
    if not _PLAIN_PATH.fullmatch(job.disk):
        raise ValueError(f"not the plain path of a disk: {job.disk!r}")
    words = [
        fio, "--name=laneproof", "--readonly", "--allow_file_create=0", "--direct=1", "--ioengine=libaio", "--thread",
        f"--rw={'randread' if job.is_random else 'read'}", f"--bs={job.block_bytes}", f"--iodepth={job.depth}",
        f"--filename={job.disk}", "--time_based", f"--runtime={max(1, round(job.seconds))}", "--norandommap",
        "--output-format=json", "--eta=never",
    ]  # fmt: skip
    if job.rate_bytes:
        words.append(f"--rate={job.rate_bytes}")
    if job.pause_microseconds:
        words += [f"--thinktime={job.pause_microseconds}", "--thinktime_blocks=1"]
    return tuple(words)


def parse_output(raw: bytes, *, what: str = "fio's account") -> LoadResult | Unread:
    """Parse what fio prints with ``--output-format=json``; lines before the JSON are notes of fio's own.

    Returns:
        The account of its one job, or why there is none.

    Source: fio(1) and its HOWTO, "JSON output"; seen with version 3.33.
    """
    try:
        job = json.loads(raw[raw.index(b"{") :])["jobs"][0]
        read, written = job["read"], sum(_count(job[way]["io_bytes"]) for way in ("write", "trim"))
        times = read.get("clat_ns") or {}
        return LoadResult(
            error=_count(job["error"]),
            read_bytes=_count(read["io_bytes"]),
            reads=_count(read["total_ios"]),
            written_bytes=written,
            median_us=_microseconds((times.get("percentile") or {}).get("50.000000")),
            longest_us=_microseconds(times.get("max")),
        )
    except (ValueError, KeyError, IndexError, TypeError, AttributeError, RecursionError) as error:
        return Unread(what, f"not the JSON that fio prints ({type(error).__name__}): {raw[:48]!r}")


def _count(value: Any) -> int:  # noqa: ANN401 (whatever stands in the JSON)
    if isinstance(value, bool) or not isinstance(value, int) or value < 0:
        raise ValueError(f"not a count: {value!r}")
    return value


def _microseconds(value: Any) -> float | None:  # noqa: ANN401 (likewise)
    return value / 1000.0 if isinstance(value, int | float) and not isinstance(value, bool) and value > 0 else None


class Load:
    """One running fio."""

    def __init__(self, job: Job, *, fio: str, setpriv: str) -> None:
        """Start it by the paths of both programs, from the main thread, with whose end the kernel ends it."""
        self.job = job
        self._paused = False
        self._output = bytearray()
        self._asked_at: float | None = None
        self._process = subprocess.Popen(  # noqa: S603 (by absolute paths, and words of our own)
            (setpriv, "--pdeathsig", "KILL", *make_command(job, fio)),
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            env={"PATH": PATH, "LC_ALL": "C"},
            cwd="/",
        )
        assert self._process.stdout is not None  # noqa: S101 (asked for above)
        self._stream = self._process.stdout.fileno()
        os.set_blocking(self._stream, False)

    @property
    def process_id(self) -> int:
        """The process's number."""
        return self._process.pid

    def has_ended(self) -> bool:
        """Whether it has ended; takes up what it printed meanwhile."""
        with contextlib.suppress(BlockingIOError):
            while chunk := os.read(self._stream, 1 << 16):
                if len(self._output) < _MOST_OUTPUT_BYTES:
                    self._output += chunk
        # looked at without being waited for, so that the kernel's account of it can still be read
        return os.waitid(os.P_PID, self._process.pid, os.WEXITED | os.WNOHANG | os.WNOWAIT) is not None

    def pause(self, *, on: bool) -> None:
        """Hold the load back, or let it go on."""
        if on or self._paused:  # held back again each time: a shell's job control lets all go on (Ctrl-Z, then fg)
            self._paused = on
            self._send(signal.SIGSTOP if on else signal.SIGCONT)

    def ask_to_end(self) -> None:
        """Ask it to end and to give its account."""
        if self._asked_at is None:
            self._asked_at = time.monotonic()
            self.pause(on=False)
            self._send(signal.SIGINT)

    def kill(self) -> None:
        """End it at once."""
        self._send(signal.SIGKILL)

    def _send(self, number: signal.Signals) -> None:
        # not by Popen, which would wait for a process that has ended, and so take its account away; until `collect`
        # waits for it, its number belongs to no other
        if self._process.returncode is None:
            os.kill(self._process.pid, number)

    def collect(self) -> LoadResult | Unread:
        """Wait until it has ended, for a moment only, and give its account."""
        self.ask_to_end()
        if not self._waits(SECONDS_TO_END):
            self.kill()
            if not self._waits(_SECONDS_TO_DIE):
                return Unread(f"the load on {self.job.disk}", "it does not end", Reason.TIMED_OUT)
        self.has_ended()  # what came at the very end
        written = _read_written(self._process.pid)
        self._process.wait()
        assert self._process.stdout is not None  # noqa: S101 (asked for at its start)
        self._process.stdout.close()
        result = parse_output(bytes(self._output), what=f"the load on {self.job.disk}")
        if isinstance(written, Unread):
            return result
        if isinstance(result, Unread):  # it may have been killed before it gave its account; the kernel's stands
            return LoadResult(error=0, read_bytes=0, reads=0, written_bytes=written) if written else result
        return replace(result, written_bytes=result.written_bytes + written)

    def _waits(self, seconds: float) -> bool:
        """Wait for its end; whether it came in time."""
        until = time.monotonic() + seconds
        while not self.has_ended():
            if time.monotonic() > until:
                return False
            time.sleep(0.01)
        return True


def _read_written(process_id: int) -> int | Unread:
    """Read how many bytes a process caused to be written. Source: proc(5), ``/proc/PID/io``, ``write_bytes``."""
    what = f"/proc/{process_id}/io"
    try:
        descriptor = os.open(what, os.O_RDONLY)
    except OSError as error:
        return Unread(what, str(error))
    try:
        match = _WRITTEN.search(os.read(descriptor, 4096))
    finally:
        os.close(descriptor)
    if match is None:
        return Unread(what, "it names no bytes written")
    return written if (written := int(match[1])) > _FILE_TIMES_BYTES else 0
