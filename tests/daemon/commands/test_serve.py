"""The service as a program: it listens, shows its state, reloads, ends cleanly, and remembers over a restart."""

import contextlib
import hashlib
import itertools
import json
import os
import re
import shutil
import signal
import sqlite3
import subprocess
import sys
import threading
import time
import urllib.error
import urllib.request
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from boxes.passes import Passes, change_of, make_finding
from boxes.recorded_box import BUILD, make_box, record, stand, wire
from boxes.snapshot_box import A_MORNING
from laneproof.cli import main
from laneproof.commands import serve
from laneproof.commands.errors import CommandError
from laneproof.commands.history_file import HISTORY
from laneproof.commands.serve import go_on, make_daemon
from laneproof.engine import STATE_NAME
from laneproof.findings import Change
from laneproof.history.events import Event
from laneproof.history.notes import KeptNote
from laneproof.history.store import Store
from laneproof.service.daemon import Daemon
from laneproof.service.listener import bind
from laneproof.service.settings import Settings
from support.waiting import SERVICE_PATIENCE_SECONDS


class Service:
    """A running service."""

    def __init__(self, folder: Path, *arguments: str) -> None:
        self.log = folder / f"log-{time.monotonic_ns()}"
        with self.log.open("ab") as log:
            self.process = subprocess.Popen(
                [sys.executable, "-m", "laneproof.cli", "serve", "--listen", "127.0.0.1:0", *arguments],
                stdout=subprocess.DEVNULL,
                stderr=log,
            )
        self.address = ""

    def said(self) -> str:
        return self.log.read_text()

    def start(self) -> "Service":
        end = time.monotonic() + SERVICE_PATIENCE_SECONDS
        while time.monotonic() < end:
            assert self.process.poll() is None, self.said()
            if found := re.findall(r"listening at (http://127\.0\.0\.1:\d+)/", self.said()):
                self.address = found[-1]
                with contextlib.suppress(urllib.error.HTTPError):
                    if self.get("/ready") == "ready\n":
                        return self
            time.sleep(0.05)
        raise AssertionError(self.said())

    def wait_for(self, words: str) -> "Service":
        end = time.monotonic() + SERVICE_PATIENCE_SECONDS
        while time.monotonic() < end and words not in self.said():
            time.sleep(0.05)
        return self

    def get(self, path: str) -> str:
        with urllib.request.urlopen(self.address + path, timeout=10) as answer:  # noqa: S310 (our own address)
            return str(answer.read().decode())

    def audit(self) -> dict[str, Any]:
        report: dict[str, Any] = json.loads(self.get("/api/v1/audit"))
        return report

    def end(self, number: int = signal.SIGTERM) -> int:
        self.process.send_signal(number)
        return self.process.wait(SERVICE_PATIENCE_SECONDS)


@pytest.fixture
def recording(tmp_path: Path) -> Path:
    """Record a box whose link came up narrow in its second frame."""
    return Path(record(tmp_path / "box.jsonl", make_box(), stand, wire(2)))


@pytest.fixture
def services() -> Iterator[list[Service]]:
    """Hold what a test starts; what still runs at its end is ended."""
    started: list[Service] = []
    yield started
    for thread in started:
        if thread.process.poll() is None:
            thread.process.kill()
            thread.process.wait(SERVICE_PATIENCE_SECONDS)


def test_this_machine_is_served_until_term(tmp_path: Path, services: list[Service]) -> None:
    services.append(Service(tmp_path, "--state", str(tmp_path / "state")))
    service = services[0].start()
    assert service.audit()["verdict"] in ("holds", "differs", "unverified")
    assert "laneproof_snapshot_timestamp_seconds" in service.get("/metrics")
    assert service.get("/health") == "live\n"
    assert service.end() == 0
    assert "Traceback" not in service.said()
    assert (tmp_path / "state" / "history.db").stat().st_size > 0
    assert (tmp_path / "state").stat().st_mode & 0o777 == 0o750


def test_the_demo_is_served_as_it_ends_until_an_interrupt_and_the_log_says_the_whole_life(
    tmp_path: Path, services: list[Service]
) -> None:
    services.append(Service(tmp_path, "--demo"))
    report = services[0].start().wait_for("first verdict").audit()
    assert (report["box"], report["verdict"], report["declared"]) == ("kelp-1", "differs", True)
    for page in ("/", "/positions/riser-3", "/replace/riser-3"):
        assert "Read at <time" in services[0].get(page)
    assert services[0].end(signal.SIGINT) == 0
    lines = [line for line in services[0].said().splitlines() if "raised" not in line]
    said = [
        r"version [\d.]+ starts", r"listening at http://127.0.0.1:\d+/", "in force: the declaration of kelp-1",
        r"first verdict: differs; \d+ findings", r"the watch stops: differs; \d+ findings",
    ]  # fmt: skip
    assert [
        words for words, line in zip(said, lines, strict=True) if not re.fullmatch(f"laneproof: {words}", line)
    ] == []


def test_a_recording_is_judged_frame_by_frame_before_it_is_shown(
    tmp_path: Path, services: list[Service], recording: Path
) -> None:
    build = tmp_path / "build.toml"
    build.write_text(BUILD)
    services.append(Service(tmp_path, "--from", str(recording), "--build", str(build)))
    service = services[0].start()
    (narrow,) = (finding for finding in service.audit()["findings"] if finding["rule"] == "link-narrow")
    assert narrow["since"] == "2026-09-21T14:14:20Z"  # its second frame
    in_force = f'laneproof_declaration_info{{checksum="{hashlib.sha256(build.read_bytes()).hexdigest()}"}} 1.0'
    build.write_text("= =")
    service.process.send_signal(signal.SIGHUP)
    end = time.monotonic() + SERVICE_PATIENCE_SECONDS
    while time.monotonic() < end and "laneproof_declaration_in_force 0.0" not in service.get("/metrics"):
        time.sleep(0.05)
    assert "laneproof_declaration_in_force 0.0" in service.get("/metrics")
    assert in_force in service.get("/metrics")
    assert service.audit()["box"] == "tern-2"
    assert "this is not TOML" in service.said()


def test_findings_keep_their_beginning_over_a_restart(tmp_path: Path, services: list[Service], recording: Path) -> None:
    build, state = tmp_path / "build.toml", str(tmp_path / "state")
    build.write_text(BUILD)
    arguments = ("--from", str(recording), "--build", str(build), "--state", state)
    since, changes = [], []
    for _ in range(2):
        services.append(Service(tmp_path, *arguments))
        service = services[-1].start()
        since.append([finding["since"] for finding in service.audit()["findings"] if finding["rule"] == "link-narrow"])
        answer = json.loads(service.get("/api/v1/changes"))["changes"]
        changes.append([change["change"] for change in answer if change["finding"]["rule"] == "link-narrow"])
        assert service.end() == 0
    assert changes[0] == ["raised"]
    assert changes[1][-1] == "raised"  # of the first run
    assert since == [["2026-09-21T14:14:20Z"]] * 2


@pytest.mark.parametrize(
    ("arguments", "status"),
    [
        (("--config", "{}/missing"), os.EX_NOINPUT),
        (("--build", "{}/missing"), os.EX_NOINPUT),
        (("--from", "{}/missing"), os.EX_NOINPUT),
        (("--build", "{}/wrong"), os.EX_DATAERR),
        (("--from", "{}/wrong"), os.EX_DATAERR),
        (("--from", "{}/no-frame"), os.EX_DATAERR),
        (("--config", "{}/wrong"), os.EX_CONFIG),
        (("--config", "{}/latin"), os.EX_CONFIG),
        (("--state", "{}/wrong"), os.EX_CANTCREAT),
        (("--token-file", "{}/missing"), os.EX_NOINPUT),
        (("--token-file", "{}/wrong"), os.EX_CONFIG),
        (("--token-file", "{}/latin"), os.EX_CONFIG),
        (("--listen", "nonsense"), os.EX_USAGE),
        (("--listen", "203.0.113.1:9"), os.EX_TEMPFAIL),  # RFC 5737: nobody's address, but one may come late
    ],
)
def test_what_cannot_be_served_ends_with_its_status_and_a_line(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], arguments: tuple[str, ...], status: int
) -> None:
    (tmp_path / "wrong").write_text("= =\n")
    (tmp_path / "latin").write_bytes(b"# caf\xe9\n")
    (tmp_path / "no-frame").write_text('{"format": "laneproof-recording", "version": 1}\n')
    given = tuple(argument.format(tmp_path) for argument in arguments)
    state = () if "--state" in given else ("--state", str(tmp_path / "state"))
    assert main(["serve", *given, *state]) == status
    err = capsys.readouterr().err
    assert len(err.splitlines()) == 1
    assert err.startswith("laneproof: ")


def test_a_port_below_1024_that_may_not_be_taken_ends_with_77(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(*_: object) -> None:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr("laneproof.service.listener.bind", refuse)
    status = main(["serve", "--state", str(tmp_path), "--listen", "127.0.0.1:80"])
    assert status == os.EX_NOPERM
    assert "cannot listen at 127.0.0.1:80: permission denied" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("address", "named", "answers"),
    [
        ("127.0.0.1", "localhost:{port}", True),
        ("127.0.0.1", "127.0.0.1:7", False),
        ("127.0.0.1", "127.0.0.2:{port}", False),
        ("::1", "[::1]:{port}", True),
        ("::1", "[::]:{port}", False),
    ],
)
def test_it_answers_at_the_socket_that_systemd_holds_where_the_settings_name_it(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    address: str,
    named: str,
    *,
    answers: bool,
) -> None:
    asked = []
    with bind(address, 0) as held:
        port = held.getsockname()[1]
        at = f"[{address}]:{port}" if ":" in address else f"{address}:{port}"

        def ask(_: Daemon) -> None:
            asked.append(urllib.request.urlopen(f"http://{at}/style.css", timeout=10).status)

        monkeypatch.setattr(serve, "take_passed_socket", lambda: held)
        monkeypatch.setattr(serve, "handle_signals", lambda _: None)
        monkeypatch.setattr(Daemon, "run", ask)
        status = main(["serve", "--state", str(tmp_path), "--listen", named.format(port=port)])
    said = capsys.readouterr().err
    assert (status, asked) == ((0, [200]) if answers else (os.EX_CONFIG, []))
    if not answers:
        assert f"laneproof.socket holds {at}: `sudo laneproof setup --yes`" in said
        assert f"the settings name {named.format(port=port)}, " in said


def test_several_sockets_are_refused_with_what_to_type(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("LISTEN_PID", str(os.getpid()))
    monkeypatch.setenv("LISTEN_FDS", "2")
    assert main(["serve", "--demo"]) == os.EX_CONFIG
    said = capsys.readouterr().err
    assert "laneproof.socket: systemd passed 2 sockets, where one is expected; `systemctl edit laneproof" in said


@pytest.mark.parametrize(
    ("listen", "mode", "warned"),
    [
        ("0.0.0.0:0", None, ["reads this box's serial numbers and faults"]),
        ("0.0.0.0:0", 0o600, []),
        ("127.0.0.1:0", None, []),
        ("127.0.0.1:0", 0o644, ["can be read by others than its owner"]),
    ],
)
def test_listening_beyond_loopback_without_a_token_is_warned_of(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    caplog: pytest.LogCaptureFixture,
    listen: str,
    mode: int | None,
    warned: list[str],
) -> None:
    monkeypatch.setattr("laneproof.service.daemon.Daemon.run", lambda _: None)
    file = tmp_path / "token"
    if mode is not None:
        file.write_text("0123456789abcdef\n")
        file.chmod(mode)
    arguments = ["serve", "--demo", "--listen", listen, *(["--token-file", str(file)] if mode else [])]
    before = {number: signal.getsignal(number) for number in (signal.SIGTERM, signal.SIGINT, signal.SIGHUP)}
    try:
        assert main(arguments) == 0
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
    logged = [record.getMessage() for record in caplog.records if record.levelname == "WARNING"]
    assert len(logged) == len(warned)
    assert all(words in line for words, line in zip(warned, logged, strict=True))


# --- its declaration --------------------------------------------------------------------------------------------------


def start(state: Path, build: Path | None, *, without: bool = False) -> tuple[str | None, str | None]:
    """Start once and end; gives the box that is declared, and the problem."""
    daemon = make_daemon(None if build is None else str(build), Settings(), str(state), without_declaration=without)
    try:
        daemon._load_build()
        status = daemon.status
        return status.build.box.name if status.build else None, status.build_problem
    finally:
        daemon.close()


@pytest.mark.parametrize("named", [True, False])
def test_the_last_good_declaration_is_in_force_where_its_file_is_gone_or_wrong_at_the_start(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, *, named: bool
) -> None:
    file = tmp_path / "build.toml"
    monkeypatch.setattr("laneproof.commands.serve.DEFAULT_BUILD", str(file))
    build = file if named else None
    file.write_text(BUILD)
    assert start(tmp_path / "state", build) == ("tern-2", None)
    file.unlink()
    name, problem = start(tmp_path / "state", build)
    assert name == "tern-2"
    assert str(file) in str(problem)
    file.write_text("= =")
    name, problem = start(tmp_path / "state", build)
    assert name == "tern-2"
    assert "this is not TOML" in str(problem)
    with pytest.raises(CommandError, match="missing"):  # of another file nothing is kept
        start(tmp_path / "state", tmp_path / "missing")
    file.write_text(BUILD.replace("tern-2", "tern-3"))
    assert start(tmp_path / "state", build) == ("tern-3", None)


def test_a_declaration_is_taken_out_of_force_by_its_owner_alone_until_it_is_changed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    file, state = tmp_path / "build.toml", tmp_path / "state"
    monkeypatch.setattr("laneproof.commands.serve.DEFAULT_BUILD", str(file))
    file.write_text(BUILD)
    assert start(state, None) == ("tern-2", None)
    assert start(state, None, without=True) == (None, None)
    assert start(state, None) == (None, None)  # it was kept
    file.unlink()
    assert start(state, None) == (None, None)
    file.write_text(f"{BUILD}# again\n")
    assert start(state, None) == ("tern-2", None)


@pytest.mark.parametrize("nonsense", [[], {"text": 3}, {"text": "= ="}, {"text": None, "out_of_force": 1}])
def test_nonsense_in_what_is_kept_of_a_declaration_is_none(tmp_path: Path, nonsense: Any) -> None:  # noqa: ANN401 (any JSON)
    with contextlib.closing(Store.open(str(tmp_path / HISTORY))) as store:
        store.save_state("declaration", nonsense)
    daemon = make_daemon(None, Settings(), str(tmp_path))
    daemon.close()


# --- its history ------------------------------------------------------------------------------------------------------


def test_a_second_one_on_the_same_folder_is_refused(tmp_path: Path) -> None:
    with contextlib.closing(Store.open(str(tmp_path / HISTORY))):
        with pytest.raises(CommandError, match="another laneproof keeps its history there") as refused:
            make_daemon(None, Settings(), str(tmp_path))
        assert refused.value.status == 75  # sysexits.h: EX_TEMPFAIL
    assert [file.name for file in tmp_path.iterdir() if "set-aside" in file.name] == []


def test_a_history_that_the_machine_cannot_read_now_is_left_as_it_is(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """An error of the disk at this moment says nothing of what the file holds (sqlite.org: SQLITE_IOERR)."""
    with contextlib.closing(Store.open(str(tmp_path / HISTORY))) as store:
        store.add_note(KeptNote(t=1.0, kind="note", text="new cable"))
    content = (tmp_path / HISTORY).read_bytes()

    def fail(*_: object) -> None:
        error = sqlite3.OperationalError("disk I/O error")
        error.sqlite_errorcode = sqlite3.SQLITE_IOERR
        raise error

    monkeypatch.setattr(Store, "load_standing", fail)
    with pytest.raises(CommandError, match="cannot be read now: disk I/O error; it stays as it is"):
        make_daemon(None, Settings(), str(tmp_path))
    assert (tmp_path / HISTORY).read_bytes() == content
    assert [file.name for file in tmp_path.glob("*aside*")] == []


def test_a_folder_that_hangs_does_not_hold_up_the_watch_and_is_gone_on_with_once_it_answers(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    answers, open_store = threading.Event(), serve._open_store

    def hang(file: str, *, most_bytes: int) -> Store:
        answers.wait(SERVICE_PATIENCE_SECONDS)
        return open_store(file, most_bytes=most_bytes)

    monkeypatch.setattr(serve, "_open_store", hang)
    monkeypatch.setattr(serve, "OPEN_SECONDS", 0.05)
    daemon = make_daemon(None, Settings(), str(tmp_path))
    try:
        assert "has not answered" in caplog.text
        watch = threading.Thread(target=daemon.run)
        watch.start()
        end = time.monotonic() + SERVICE_PATIENCE_SECONDS
        while daemon.status.last_pass is None and time.monotonic() < end:
            time.sleep(0.05)
        assert daemon.status.last_pass is not None
        answers.set()
        watch.join(SERVICE_PATIENCE_SECONDS)
        assert daemon.starts_again
    finally:
        daemon.close()
    make_daemon(None, Settings(), str(tmp_path)).close()  # the late one has let go of it


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A history with something in every table but those that take weeks to fill."""
    file, passes = tmp_path_factory.mktemp("kept") / HISTORY, Passes()
    with contextlib.closing(Store.open(str(file))) as store:
        finding = make_finding(since=passes.t)
        passes.standing = (finding,)
        store.add_pass(passes.take(change_of(Change.RAISED, finding, passes.t)))
        store.add_events([Event(t=passes.t, kind="link_down", text="Link Down", detail={"port": 1})])
        store.add_note(KeptNote(t=passes.t, kind="note", text="new cable", detail={"position": "riser-1"}))
        engine, _ = go_on(store)
        for errors in range(3):
            store.add_pass(engine.observe(passes.wait(60).drive(0, health={"media_errors": errors}).take().snapshot))
        store.save_state(STATE_NAME, engine.as_state())
    return file


NONSENSE = ("nonsense", b"\xff\xfe", None, -1, 1e300)
"""SQLite keeps any value in any column (its documentation, "Flexible Typing"): a sound page may hold any of these."""


@pytest.mark.parametrize(
    "table", ["boots", "watches", "measures", "places", "series", "passes", "samples", "events", "findings", "changes",
              "inventories", "notes", "state"]
)  # fmt: skip
def test_nonsense_in_a_row_does_not_end_the_watch(kept: Path, tmp_path: Path, table: str) -> None:
    with contextlib.closing(sqlite3.connect(kept)) as sound:
        columns = [name for _, name, *_ in sound.execute(f"PRAGMA table_info({table})")]
    tried = 0
    for number, (column, value) in enumerate(itertools.product(columns, NONSENSE)):
        file = tmp_path / f"{number}.db"
        shutil.copy(kept, file)
        with contextlib.closing(sqlite3.connect(file)) as spoilt, contextlib.suppress(sqlite3.IntegrityError), spoilt:
            last = f"{column} IS (SELECT max({column}) FROM {table})"  # noqa: S608 (our names)
            spoilt.execute(f"UPDATE {table} SET {column} = ? WHERE {last}", (value,))  # noqa: S608 (likewise)
            tried += 1
        passes = Passes(t=A_MORNING + 600, up=900.0)
        with contextlib.closing(Store.open(str(file))) as store:
            engine, _ = go_on(store)
            store.add_pass(engine.observe(passes.take().snapshot))
            store.add_pass(engine.observe(passes.reboot().take().snapshot))
            assert store.read_watches()
            assert len(store.read_series()) > 10
            store.read_findings()
            store.read_notes()
    assert tried > len(columns)


def test_the_copy_of_a_token_that_the_service_manager_made_is_taken_before_the_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delenv("CREDENTIALS_DIRECTORY", raising=False)
    assert serve._find_credential("token") is None
    monkeypatch.setenv("CREDENTIALS_DIRECTORY", str(tmp_path))
    assert serve._find_credential("token") is None  # a unit that loads none
    (tmp_path / "token").touch()
    assert serve._find_credential("token") == str(tmp_path / "token")
