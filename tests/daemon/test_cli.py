"""The command line: exit statuses of sysexits.h, one clear line for what a user did, and no traceback for anyone."""

import argparse
import gzip
import os
import pty
import re
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from contracts.hand_made import Ended, inside
from laneproof import __version__
from laneproof.cli import main
from laneproof.commands.table import COMMANDS

DEMO = ("audit", "--demo")


def run(*arguments: str, env: dict[str, str] | None = None, **options: Any) -> subprocess.CompletedProcess[Any]:
    """Run laneproof as a program of its own."""
    command = [sys.executable, "-m", "laneproof.cli", *arguments]
    surroundings = os.environ | {"PYTHONIOENCODING": "utf-8"} | (env or {})
    return subprocess.run(command, env=surroundings, check=False, **({"capture_output": True} | options))


def one_line(text: str) -> str:
    """Give the single line that an error is, and hold it to be one."""
    lines = text.splitlines()
    assert len(lines) == 1, text
    assert lines[0].startswith("laneproof")
    assert "Traceback" not in text
    return lines[0]


@pytest.mark.parametrize(
    "arguments",
    [
        (),
        ("no-such-command",),
        ("audit", "--no-such-option"),
        ("audit", "--width", "none"),
        ("audit", "--width", "0"),
        ("audit", "stray"),
        ("audit", "--build"),
        ("audit", "--demo", "--from", "x"),
        ("replay", "x", "--demo"),
        ("record", "x", "--demo", "--from", "y"),
        ("budget", "x", "--build", "y"),
        ("where",),
        ("record",),
        ("record", "x", "--passes", "0"),
        ("record", "x", "--every", "-1"),
        ("record", "x", "--every", "inf"),
        ("record", "x", "--every", "nan"),
        ("replay",),
        ("schema", "neither"),
        ("explain", "no-such-rule"),
    ],
)
def test_wrong_arguments_end_with_64(arguments: tuple[str, ...]) -> None:
    ended = inside(*arguments)
    assert (ended.status, ended.out) == (os.EX_USAGE, "")
    assert ended.err.startswith("laneproof")


RECORDING = b'{"format": "laneproof-recording", "version": 1}\n'


@pytest.mark.parametrize(
    ("option", "content", "says"),
    [
        ("--build", b"= = =\n", "line 1: this is not TOML"),
        ("--build", b"# caf\xe9\n", "not UTF-8"),
        ("--build", b"schema = 2\n", "line 1: schema is not 1"),
        ("--from", b"hello\n", "line 1"),
        ("--from", b"", "line 1"),
        ("--from", RECORDING.replace(b"1", b"2"), "line 1"),
        ("--from", RECORDING, "has no frame"),
        ("--from", RECORDING + b'{"t": 1.0, "files": {"/proc/cmd', "line 2"),
        ("--from", gzip.compress(RECORDING, mtime=0)[:-20], "cut off or damaged"),
        ("--from", gzip.compress(b"\xff\xfe\xfd", mtime=0), "cut off or damaged"),
    ],
)
def test_a_file_that_is_wrong_ends_with_65_and_says_where(
    tmp_path: Path, option: str, content: bytes, says: str
) -> None:
    (tmp_path / "wrong").write_bytes(content)
    ended = inside("audit", *(("--demo",) if option == "--build" else ()), option, tmp_path / "wrong")
    assert (ended.status, ended.out) == (os.EX_DATAERR, "")
    assert f"{tmp_path}/wrong" in ended.err
    assert says in ended.err


@pytest.mark.parametrize(
    "arguments",
    [
        ("audit", "--build", "{}/missing"),
        ("audit", "--from", "{}/missing"),
        ("draft", "--from", "{}/missing"),
        ("draft", "--demo", "--update", "{}/missing"),
        ("replay", "{}/missing"),
        ("budget", "{}/missing"),
        ("where", "nvme1", "--from", "{}/missing"),
        ("changes", "{}/missing", "{}/missing"),
        ("record", "{}/out", "--from", "{}/missing"),
        ("audit", "--build", "{}"),  # a folder is no file
    ],
)
def test_a_named_file_that_is_missing_ends_with_66(tmp_path: Path, arguments: tuple[str, ...]) -> None:
    ended = inside(*(argument.format(tmp_path) for argument in arguments))
    assert (ended.status, ended.out) == (os.EX_NOINPUT, "")
    assert str(tmp_path) in ended.err
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    "arguments",
    [
        ("draft", "--demo", "-o", "{}/no/such/folder"),
        ("record", "{}/no/such/folder", "--from", "{}/demo"),
        ("draft", "--demo", "-o", "{}/demo"),  # it stands
    ],
)
def test_an_output_that_cannot_be_made_ends_with_73(
    tmp_path: Path, demo_recording: Path, arguments: tuple[str, ...]
) -> None:
    before = demo_recording.read_bytes()
    assert inside(*(argument.format(tmp_path) for argument in arguments)).status == os.EX_CANTCREAT
    assert demo_recording.read_bytes() == before


@pytest.fixture
def demo_recording(tmp_path: Path) -> Path:
    """Copy the demo's recording to a file."""
    assert inside("record", tmp_path / "demo", "--demo").status == 0
    return tmp_path / "demo"


@pytest.fixture
def forbidden(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Path:
    """Give a file that nobody may open, root included."""
    file = tmp_path / "secret"
    file.write_text("schema = 1")

    def refuse(before: Callable[..., object]) -> Callable[..., object]:
        def opened(self: Path, *arguments: object, **options: Any) -> object:
            if self == file:
                raise PermissionError(13, "Permission denied", str(self))
            return before(self, *arguments, **options)

        return opened

    for name in ("open", "read_bytes", "read_text"):
        monkeypatch.setattr(Path, name, refuse(getattr(Path, name)))
    return file


@pytest.mark.parametrize(
    "arguments",
    [
        ("audit", "--demo", "--build", "{}"),
        ("audit", "--from", "{}"),
        ("record", "{}", "--demo"),
    ],
)
def test_a_file_that_is_not_permitted_ends_with_77(forbidden: Path, arguments: tuple[str, ...]) -> None:
    ended = inside(*(argument.format(forbidden) for argument in arguments))
    assert (ended.status, ended.out) == (os.EX_NOPERM, "")
    assert "permission denied" in ended.err


def test_help_and_version_end_with_0() -> None:
    assert inside("--version") == Ended(status=0, out=f"laneproof {__version__}\n", err="")
    ended = inside("--help")
    assert ended.status == 0
    assert all(re.search(rf"^    {command.name} ", ended.out, re.MULTILINE) for command in COMMANDS)


def test_a_fault_of_the_program_is_one_line_and_70(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    def fail(_: argparse.Namespace) -> int:
        raise ZeroDivisionError("nothing to\nshare")

    monkeypatch.delenv("LANEPROOF_TRACEBACK", raising=False)
    monkeypatch.setattr("laneproof.commands.audit.run", fail)
    assert main(DEMO) == os.EX_SOFTWARE
    assert "ZeroDivisionError: nothing to share at test_cli.py:" in one_line(capsys.readouterr().err)
    monkeypatch.setenv("LANEPROOF_TRACEBACK", "1")
    main(DEMO)
    assert "Traceback" in capsys.readouterr().err


def test_a_collector_that_fails_is_reported_in_a_line_and_its_group_is_unverified(tmp_path: Path) -> None:
    (tmp_path / "sitecustomize.py").write_text(
        "import laneproof_collectors.power_settings as power\n"
        "def read_power(host): raise ValueError('odd')\n"
        "power.read_power = read_power\n"
    )
    done = run(*DEMO, env={"PYTHONPATH": f"{tmp_path}:{os.pathsep.join(sys.path)}"})
    assert done.returncode == 1
    err = done.stderr.decode()
    assert "Traceback" not in err
    assert "the collector of power failed" in err
    assert "ValueError: odd at sitecustomize.py:2" in err


def test_an_interrupt_ends_with_130(monkeypatch: pytest.MonkeyPatch) -> None:
    def interrupt(_: argparse.Namespace) -> int:
        raise KeyboardInterrupt

    monkeypatch.setattr("laneproof.commands.audit.run", interrupt)
    assert main(DEMO) == 130


@pytest.mark.parametrize(
    ("arguments", "status"),
    [
        (DEMO, 1),
        ((*DEMO, "--json"), 1),
        (("events", "--demo"), 0),
        (("replay", "--demo"), 0),
    ],
)
def test_a_pipe_whose_reader_left_changes_no_status(arguments: tuple[str, ...], status: int) -> None:
    read, write = os.pipe()
    os.close(read)
    try:
        done = run(*arguments, capture_output=False, stdout=write, stderr=subprocess.PIPE)
    finally:
        os.close(write)
    assert (done.returncode, done.stderr) == (status, b"")


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs /dev/full, which this system lacks")
def test_a_full_disk_is_reported() -> None:
    with Path("/dev/full").open("wb") as full:
        done = run(*DEMO, capture_output=False, stdout=full, stderr=subprocess.PIPE)
    assert done.returncode == os.EX_IOERR
    assert "no space left on device" in one_line(done.stderr.decode())


def test_a_pipe_gets_80_columns_without_colour() -> None:
    text = run(*DEMO, env={"TERM": "xterm-256color"}).stdout.decode()
    assert "\x1b" not in text
    assert max(map(len, text.splitlines())) <= 80


@pytest.mark.parametrize("encoding", ["ascii", "latin-1"])
def test_output_in_a_lesser_encoding_does_not_fail(encoding: str) -> None:
    done = run(*DEMO, env={"PYTHONIOENCODING": encoding})
    assert (done.returncode, done.stderr) == (1, b"")
    assert done.stdout.isascii()
    assert b"gen4 x4 -> gen4 x2" in done.stdout


def test_a_draft_is_utf_8_whatever_the_terminal(tmp_path: Path) -> None:
    build = tmp_path / "build.toml"
    build.write_text('schema = 1\n[box]\nname = "Süd"\n', encoding="utf-8")
    done = run("draft", "--demo", "--update", str(build), env={"PYTHONIOENCODING": "ascii"})
    assert done.returncode == 0
    assert 'name = "Süd"' in done.stdout.decode("utf-8")


def on_a_terminal(*arguments: str, env: dict[str, str], columns: int) -> str:
    """Run laneproof with a terminal of its own for output."""
    master, slave = pty.openpty()
    try:
        command = [sys.executable, "-m", "laneproof.cli", *arguments]
        surroundings = os.environ | {"COLUMNS": str(columns), "PYTHONIOENCODING": "utf-8"} | env
        with subprocess.Popen(command, stdout=slave, stderr=slave, stdin=slave, env=surroundings) as process:
            os.close(slave)
            slave = -1
            shown = b""
            while chunk := _read_terminal(master):
                shown += chunk
            process.wait(30)
        return shown.decode().replace("\r\n", "\n")
    finally:
        os.close(master)
        if slave >= 0:
            os.close(slave)


def _read_terminal(master: int) -> bytes:
    try:
        return os.read(master, 65536)
    except OSError:  # EIO: the last writer closed the terminal (pty(7), Linux)
        return b""


def test_a_terminal_gets_colour_and_its_own_width() -> None:
    shown = on_a_terminal(*DEMO, env={"TERM": "xterm", "NO_COLOR": ""}, columns=56)
    assert shown.startswith("\x1b[1;31mkelp-1: DIFFERS\x1b[0m")
    plain = re.sub(r"\x1b\[[0-9;]*m", "", shown)
    assert 50 < max(map(len, plain.splitlines())) <= 56


@pytest.mark.parametrize("env", [{"TERM": "xterm", "NO_COLOR": "1"}, {"TERM": "dumb", "NO_COLOR": ""}])
def test_a_terminal_that_wants_no_colour_gets_none(env: dict[str, str]) -> None:
    assert "\x1b" not in on_a_terminal(*DEMO, env=env, columns=80)


def test_width_is_an_option_too() -> None:
    assert max(map(len, inside(*DEMO, "--width", "50").out.splitlines())) <= 50
