"""The load only reads, ends with its parent, and its account is read whatever it looks like."""

import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from laneproof_collectors import fio
from laneproof_collectors.fio import Job, Load, LoadResult, find_program, make_command, parse_output
from laneproof_collectors.unread import Unread
from support.unread_answers import known, unread

FIO, SETPRIV = find_program("fio"), find_program("setpriv")
needs_fio = pytest.mark.skipif(isinstance(FIO, Unread) or isinstance(SETPRIV, Unread), reason="fio is not installed")
JOBS = (
    Job(disk="/dev/nvme0n1", seconds=48),
    Job(disk="/dev/nvme0n1", seconds=0.2, is_random=True, block_bytes=4096, depth=1, pause_microseconds=500_000),
    Job(disk="/dev/nvme11n2", seconds=9e4, rate_bytes=10**8),
)
WRITING_KINDS = ("write", "trim", "randwrite", "randtrim", "rw", "readwrite", "randrw", "trimwrite", "randtrimwrite")
"""Source: fio(1), "I/O type"."""
READING_OPTIONS = {
    "name", "readonly", "allow_file_create", "direct", "ioengine", "thread", "rw", "bs", "iodepth", "filename",
    "time_based", "runtime", "norandommap", "output-format", "eta", "rate", "thinktime", "thinktime_blocks",
}  # fmt: skip
"""All that may stand there: none of them makes, changes, discards or verifies data, or runs a program (fio(1))."""


@pytest.fixture
def disk(tmp_path: Path) -> Path:
    file = tmp_path / "disk.img"
    file.write_bytes(b"kelp" * (1 << 18))
    return file


def options(job: Job) -> dict[str, str]:
    _, *words = make_command(job, "/usr/bin/fio")
    return {name.removeprefix("--"): value for name, _, value in (word.partition("=") for word in words)}


def start(job: Job) -> Load:
    assert isinstance(FIO, str)
    assert isinstance(SETPRIV, str)
    return Load(job, fio=FIO, setpriv=SETPRIV)


@pytest.mark.parametrize("job", JOBS)
def test_no_word_of_the_command_line_can_write(job: Job) -> None:
    words = options(job)
    assert words["rw"] in ("read", "randread")
    assert words["readonly"] == ""
    assert words["filename"] == job.disk
    assert words.keys() <= READING_OPTIONS
    assert int(words["runtime"]) >= 1


@pytest.mark.parametrize("disk", ["", "nvme0n1", "/dev/a:/dev/b", "/dev/a b", "/dev/nvme0n1\n--rw=write"])
def test_a_path_that_fio_reads_otherwise_is_refused(disk: str) -> None:
    with pytest.raises(ValueError, match="not the plain path"):
        make_command(Job(disk=disk, seconds=1), "/usr/bin/fio")


@needs_fio
@pytest.mark.parametrize("kind", WRITING_KINDS)
def test_fio_itself_refuses_to_write_with_these_words(disk: Path, kind: str) -> None:
    """Were a kind of work that writes ever to slip in, --readonly stops it before the first byte."""
    before = disk.read_bytes()
    words = make_command(Job(disk=str(disk), seconds=1), str(FIO))
    done = subprocess.run(
        [f"--rw={kind}" if word.startswith("--rw=") else word for word in words], capture_output=True, check=False
    )
    assert done.returncode == 1
    assert b"read-only mode" in done.stdout + done.stderr
    assert disk.read_bytes() == before


@needs_fio
def test_a_load_reads_writes_nothing_and_gives_its_account(disk: Path) -> None:
    before = disk.read_bytes(), disk.stat().st_mtime_ns
    load = start(Job(disk=str(disk), seconds=30, block_bytes=4096))
    until = time.monotonic() + 20
    while not is_reading(load) and time.monotonic() < until:
        time.sleep(0.05)
    time.sleep(0.2)
    result = known(load.collect())
    assert (result.error, result.written_bytes) == (0, 0)
    assert result.read_bytes == 4096 * result.reads > 0
    assert result.median_us is not None
    assert (disk.read_bytes(), disk.stat().st_mtime_ns) == before


@needs_fio
def test_a_load_that_ended_by_itself_still_gives_its_account(disk: Path) -> None:
    load = start(Job(disk=str(disk), seconds=1, block_bytes=4096))
    while not load.has_ended():
        time.sleep(0.05)
    load.pause(on=True)
    load.kill()
    assert known(load.collect()).reads > 0
    load.kill()  # a signal may come late


@needs_fio
def test_a_file_that_is_not_there_is_not_made(tmp_path: Path) -> None:
    load = start(Job(disk=str(tmp_path / "none"), seconds=1))
    result = load.collect()
    assert isinstance(result, Unread) or result.error or not result.reads
    assert not list(tmp_path.iterdir())


@needs_fio
@pytest.mark.parametrize(
    ("account", "written"),
    [
        (0, 0),
        (8192, 0),  # the times of files that were read: seen with ext4 mounted relatime
        (1 << 20, 1 << 20),
    ],
)
def test_what_a_killed_load_wrote_is_known_by_the_kernel(
    disk: Path, account: int, written: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    text = f"read_bytes: 4194304\nwrite_bytes: {account}\ncancelled_write_bytes: 0\n".encode()
    monkeypatch.setattr(os, "read", lambda descriptor, size, read=os.read: read(descriptor, size) and text)
    load = start(Job(disk=str(disk), seconds=60))
    load.kill()
    result = load.collect()
    assert (isinstance(result, LoadResult) and result.written_bytes) == (written or False)


@needs_fio
def test_a_load_that_is_held_back_stays_so_after_a_shell_s_job_control(disk: Path) -> None:
    load = start(Job(disk=str(disk), seconds=60))
    stat = Path("/proc", str(load.process_id), "stat")
    until = time.monotonic() + 5
    try:
        load.pause(on=True)
        os.kill(load.process_id, signal.SIGCONT)
        load.pause(on=True)
        while stat.read_text().rpartition(")")[2].split()[0] != "T" and time.monotonic() < until:
            time.sleep(0.01)
        assert stat.read_text().rpartition(")")[2].split()[0] == "T"
    finally:
        load.kill()
        load.collect()


def test_a_load_that_goes_on_though_it_was_asked_to_end_is_killed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(fio, "SECONDS_TO_END", 0.1)
    deaf = f"trap '' INT; : >{tmp_path}/ready; n=0; while [ $n -lt 400 ]; do sleep 0.05; n=$((n+1)); done"
    for name, script in (("setpriv", 'shift 2; exec "$@"'), ("fio", deaf)):
        (tmp_path / name).write_text(f"#!/bin/sh\n{script}\n")
        (tmp_path / name).chmod(0o755)
    load = Load(Job(disk="/dev/null", seconds=60), fio=str(tmp_path / "fio"), setpriv=str(tmp_path / "setpriv"))
    while not (tmp_path / "ready").exists():
        time.sleep(0.01)
    assert "not the JSON" in unread(load.collect()).why
    assert load._process.returncode == -signal.SIGKILL


PARENT = """
import sys, time
from laneproof_collectors.fio import Job, Load
load = Load(Job(disk=sys.argv[1], seconds=600), fio=sys.argv[2], setpriv=sys.argv[3])
print(load.process_id, flush=True)
time.sleep(600)
"""


@needs_fio
def test_a_load_does_not_outlive_a_parent_that_is_killed(disk: Path) -> None:
    """prctl(2), PR_SET_PDEATHSIG: "the parent process dies" includes a kill that nothing can catch."""
    command = (sys.executable, "-c", PARENT, str(disk), str(FIO), str(SETPRIV))
    environment = {**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)}
    parent = subprocess.Popen(command, stdout=subprocess.PIPE, env=environment)
    assert parent.stdout is not None
    process = Path("/proc", parent.stdout.readline().decode().strip())
    until = time.monotonic() + 20
    while b"fio" not in (process / "cmdline").read_bytes()[:20] and time.monotonic() < until:
        time.sleep(0.02)
    parent.send_signal(signal.SIGKILL)
    parent.wait()
    parent.stdout.close()
    while is_running(process) and time.monotonic() < until:
        time.sleep(0.02)
    assert not is_running(process)


def is_reading(load: Load) -> bool:
    """Whether its jobs have begun: threads of their own."""
    return len(list(Path(f"/proc/{load.process_id}/task").iterdir())) > 2 or load.has_ended()


def is_running(process: Path) -> bool:
    try:
        return (process / "stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except OSError:
        return False


def account(**changes: Any) -> dict[str, Any]:
    read = {"io_bytes": 8192, "total_ios": 2, "clat_ns": {"max": 9000, "percentile": {"50.000000": 2000}}}
    return {"jobs": [{"error": 0, "read": read, "write": {"io_bytes": 0}, "trim": {"io_bytes": 0}} | changes]}


def test_an_account_says_what_was_read_and_how_long_it_took() -> None:
    raw = b"fio: a note of its own\n" + json.dumps(account()).encode()
    assert parse_output(raw) == LoadResult(error=0, read_bytes=8192, reads=2, median_us=2.0, longest_us=9.0)


@pytest.mark.parametrize("way", ["write", "trim"])
def test_what_was_written_is_never_passed_over(way: str) -> None:
    assert known(parse_output(json.dumps(account(**{way: {"io_bytes": 512}})).encode())).written_bytes == 512


@pytest.mark.parametrize("changes", [{"write": {}}, {"error": "5"}, {"read": None}, {"trim": {"io_bytes": -1}}])
def test_an_account_that_lacks_a_figure_is_none(changes: dict[str, Any]) -> None:
    assert isinstance(parse_output(json.dumps(account(**changes)).encode()), Unread)


@given(st.binary(max_size=200) | st.binary(max_size=50).map(lambda raw: b'{"jobs": [' + raw))
def test_any_bytes_give_an_account_or_a_reason(raw: bytes) -> None:
    assert isinstance(parse_output(raw), LoadResult | Unread)
