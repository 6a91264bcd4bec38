"""``laneproof serve``: the daemon, built from its settings, until it is stopped."""

import argparse
import dataclasses
import errno
import logging
import os
import queue
import socket
import sqlite3
import time
from collections.abc import Iterator
from contextlib import contextmanager, nullcontext
from functools import partial
from pathlib import Path
from threading import Thread

from laneproof import __version__
from laneproof.commands.box_past import BoxPast, load_passes
from laneproof.commands.errors import CommandError, file_errors
from laneproof.commands.history_file import (
    DEFAULT_SETTINGS,
    HISTORY,
    load_kept_declaration,
    load_settings,
    open_history,
)
from laneproof.commands.inputs import (
    DEFAULT_BUILD,
    load_build,
    make_host,
    now_by_clock,
    parse_declaration,
    read_build_text,
)
from laneproof.commands.judgement import restore
from laneproof.commands.recorded_passes import keep_recording
from laneproof.commands.served_past import ServedPast
from laneproof.declaration.build import Build
from laneproof.declaration.settings_text import SettingsError
from laneproof.engine import LIVE_CONFIRMATIONS, Engine
from laneproof.findings import FindingChange
from laneproof.history.store import Store
from laneproof.service.access import LOOPBACK_NAME, SHORTEST_TOKEN, Access, is_beyond_loopback, parse_address
from laneproof.service.background_writer import BackgroundWriter
from laneproof.service.daemon import Daemon, handle_signals
from laneproof.service.declaration_file import DeclarationFile, KeptDeclaration
from laneproof.service.evidence_ring import EvidenceRing
from laneproof.service.http import Pages
from laneproof.service.last_frame_host import LastFrameHost
from laneproof.service.listener import Server
from laneproof.service.owner_notes import Inbox, find_runs
from laneproof.service.settings import Settings, parse_listen, show_listen
from laneproof.service.status import DaemonStatus
from laneproof.service.unit_drop_in import TOKEN_CREDENTIAL
from laneproof_collectors.collection import make_collectors
from laneproof_collectors.passed_socket import take_passed_socket

_log = logging.getLogger(__name__)

EVIDENCE = "evidence"
OPEN_SECONDS = 20.0
"""How long the history may take to open: the check of a large one takes a second or two."""
RECENT_SECONDS = 90 * 86400.0
"""How far back changes of findings are looked for to be shown again after a restart."""


def run(arguments: argparse.Namespace) -> int:
    """Serve until SIGTERM or SIGINT."""
    logging.getLogger().setLevel(logging.INFO)
    settings = load_settings(arguments.config)
    address, port = settings.address, settings.port
    if arguments.listen:
        try:
            address, port = parse_listen(arguments.listen)
        except SettingsError as error:
            raise CommandError(str(error), status=os.EX_USAGE) from error
    bound = _take_passed(address, port)
    token_file = arguments.token_file or settings.token_file
    token = None if token_file is None else read_token(_find_credential(TOKEN_CREDENTIAL) or token_file)
    names = (*settings.names, *([socket.gethostname()] if is_beyond_loopback(address) else []))
    stands_still = arguments.demo or bool(arguments.source)
    if stands_still:
        daemon, past = make_recording_daemon(arguments.source, arguments.build, arguments.state)
    else:
        state = arguments.state or settings.state
        daemon = make_daemon(
            arguments.build,
            settings,
            state,
            without_declaration=arguments.without_declaration,
            reader=arguments.reader,
        )
        past = ServedPast(lambda: _open_past(state, daemon))

    def status() -> DaemonStatus:  # the age of what a recording shows says nothing of its box
        return dataclasses.replace(daemon.status, judged_at=None) if stands_still else daemon.status

    _log.info("version %s starts", __version__)  # not before: what is wrong with its input is the one line that it says
    try:
        server = _listen(address, port, Pages(status, past=past), Access(address, names, token), bound)
        handle_signals(daemon)
        if token is None and is_beyond_loopback(address):
            _log.warning(
                "whoever reaches %s reads this box's serial numbers and faults, for no token is asked for: "
                "set token_file in %s, or listen at 127.0.0.1",
                address,
                arguments.config or DEFAULT_SETTINGS,
            )
        _log.info("listening at http://%s/", show_listen(address, server.port))
        daemon.run()
        server.close()
    finally:
        daemon.close()
    if daemon.starts_again:
        raise CommandError("the history answers again; the service is to be started with it", status=os.EX_TEMPFAIL)
    return os.EX_OK


def _find_credential(name: str) -> str | None:
    """Give the copy of a file of root's that the service manager made for this service, None where it made none."""
    folder = os.environ.get("CREDENTIALS_DIRECTORY")  # systemd.exec(5), LoadCredential
    return str(Path(folder) / name) if folder and (Path(folder) / name).exists() else None


def read_token(path: str) -> str:
    """Read the token that requests must show.

    Raises:
        CommandError: The file cannot be read (66, 77), or holds no token that could keep anybody out (78).
    """
    try:
        with file_errors(path):
            token = Path(path).read_text(encoding="ascii").strip()
            others = Path(path).stat().st_mode & 0o077
    except UnicodeDecodeError as error:
        raise CommandError(f"{path}: a token is plain ASCII text", status=os.EX_CONFIG) from error
    if len(token) < SHORTEST_TOKEN or not token.isprintable() or " " in token:
        how = f"a token is one word of {SHORTEST_TOKEN} characters at least"
        raise CommandError(f"{path}: {how}; make one with: openssl rand -hex 24", status=os.EX_CONFIG)
    if others:
        _log.warning("%s can be read by others than its owner: chmod 600 %s", path, path)
    return token


@contextmanager
def _open_past(state: str, daemon: Daemon) -> Iterator[BoxPast]:
    """Open what a running daemon kept, on a connection of its own."""
    with open_history(str(Path(state) / HISTORY)) as history:
        passes = load_passes(history)
        yield BoxPast(history=history, build=daemon.status.build, begins=None, now=time.time(), passes=passes)


def _take_passed(address: str, port: int) -> socket.socket | None:
    """Take the socket that the unit holds, if any; it must be the one that the settings name.

    Raises:
        CommandError: It is another, or not one (78).
    """
    try:
        bound = take_passed_socket()
    except OSError as error:
        raise CommandError(
            f"laneproof.socket: {error.strerror or error}; `systemctl edit laneproof.socket` changes it: an empty "
            "ListenStream= first, then the one address",
            status=os.EX_CONFIG,
        ) from error
    if bound is None:
        return None
    held_address, held_port = bound.getsockname()[:2]
    named = "127.0.0.1" if address == LOOPBACK_NAME else address
    if (parse_address(held_address), held_port) != (parse_address(named), port):
        raise CommandError(
            f"the settings name {show_listen(address, port)}, and laneproof.socket holds "
            f"{show_listen(held_address, held_port)}: `sudo laneproof setup --yes` makes it follow the settings, "
            "or `systemctl edit laneproof.socket` changes it by hand",
            status=os.EX_CONFIG,
        )
    return bound


def _listen(address: str, port: int, pages: Pages, access: Access, bound: socket.socket | None) -> Server:
    try:
        server = Server(address, port, pages, access, bound)
        server.start()
    except RuntimeError as error:
        raise CommandError(f"cannot listen at {address}:{port}: {error}", status=os.EX_OSERR) from error
    except OSError as error:
        message = f"cannot listen at {address}:{port}: {(error.strerror or str(error)).lower()}"
        status = os.EX_NOPERM if isinstance(error, PermissionError) else os.EX_CONFIG
        if error.errno == errno.EADDRNOTAVAIL:
            status = os.EX_TEMPFAIL  # an address may come late after a boot: the unit tries again
        raise CommandError(message, status=status) from error
    return server


def make_daemon(
    build_path: str | None,
    settings: Settings,
    state: str,
    *,
    without_declaration: bool = False,
    reader: str | None = None,
) -> Daemon:
    """Build the daemon: its host, history, engine and collectors.

    `without_declaration` is the owner's word that takes the declaration out of force; `reader` is as in `make_host`.

    Raises:
        CommandError: A named declaration is missing or wrong and none is kept of it, or the state's folder cannot be
            made.
    """
    opening = _Opening(state, most_bytes=settings.history_mebibytes << 20)
    store, engine, recent = opening.wait()
    try:
        declaration = (
            _go_without_declaration(build_path) if without_declaration else _open_declaration(build_path, store)
        )
    except CommandError:
        store.close()
        raise
    collectors = tuple(
        dataclasses.replace(
            collector,
            interval_seconds=settings.intervals.get(collector.group, collector.interval_seconds),
        )
        for collector in make_collectors()
    )

    writer = BackgroundWriter(store)
    daemon = Daemon(
        make_host(reader),
        declaration,
        writer=writer,
        engine=engine,
        collectors=collectors,
        recent=recent,
        take_notes=partial(writer.take_notes, Inbox(state, now_by_clock)),
        ring=EvidenceRing(settings.evidence or str(Path(state) / EVIDENCE)),
        proofs=find_runs(store.read_notes()),
    )
    if opening.is_late:
        opening.restart_when_open(daemon)
    return daemon


def _open_declaration(build_path: str | None, store: Store) -> DeclarationFile:
    """Follow the declaration's file, with what is kept of it.

    Raises:
        CommandError: It was named, is missing or wrong, and there is no good one of before to go on with.
    """
    path, kept = str(Path(build_path or DEFAULT_BUILD).absolute()), load_kept_declaration(store)
    if build_path is not None and (kept.declaration is None or kept.path != path):
        load_build(build_path)  # as a person who starts it by hand expects; later a wrong one leaves the old one

    def load(path: str) -> tuple[str, Build] | None:
        return None if build_path is None and not Path(path).exists() else _load_named(path)

    return DeclarationFile(path, load, kept=kept)


def _go_without_declaration(build_path: str | None) -> DeclarationFile:
    """Go on without a declaration; what stands in its file stays out of force until it is changed."""
    try:
        text = read_build_text(build_path or DEFAULT_BUILD)
    except CommandError:
        text = ""
    return DeclarationFile("", lambda _: None, kept=KeptDeclaration(out_of_force=text))


_Opened = tuple[Store, Engine, tuple[FindingChange, ...]]


class _Opening:
    """Opens the history in a thread of its own: a folder that hangs, its drive gone, must not hold up the watch."""

    def __init__(self, state: str, *, most_bytes: int) -> None:
        self._state, self._most_bytes = state, most_bytes
        self._outcome: queue.SimpleQueue[_Opened | BaseException] = queue.SimpleQueue()
        self.is_late = False
        Thread(target=self._open, name="open", daemon=True).start()

    def _open(self) -> None:
        try:
            store = _open_store(_find_history(self._state), most_bytes=self._most_bytes)
            self._outcome.put((store, *_go_on_or_end(store, self._state)))
        except BaseException as error:  # noqa: BLE001 (raised again by who waits)
            self._outcome.put(error)

    def wait(self) -> _Opened:
        """Give the history, or one in memory where it does not open in time.

        Raises:
            CommandError: It cannot be opened.
        """
        try:
            outcome = self._outcome.get(timeout=OPEN_SECONDS)
        except queue.Empty:
            self.is_late = True
            _log.error(
                "%s has not answered for %.0f s: what is found is kept in memory until it does, and then the service "
                "starts again with it",
                self._state,
                OPEN_SECONDS,
            )
            store = Store.open(":memory:")
            return store, *go_on(store)
        if isinstance(outcome, BaseException):
            raise outcome
        return outcome

    def restart_when_open(self, daemon: Daemon) -> None:
        """Let the service start again once the history has answered after all."""

        def follow() -> None:
            outcome = self._outcome.get()
            if not isinstance(outcome, BaseException):
                outcome[0].close()
            daemon.stop(starts_again=True)

        Thread(target=follow, name="open-late", daemon=True).start()


def _open_store(file: str, *, most_bytes: int | None = None) -> Store:
    try:
        store = Store.open(file, most_bytes=most_bytes)
    except sqlite3.OperationalError as error:
        raise _cannot_read(file, error) from error
    if store.locked_out:
        store.close()
        raise CommandError(f"{file}: another laneproof keeps its history there", status=os.EX_TEMPFAIL)
    return store


def _go_on_or_end(store: Store, state: str) -> tuple[Engine, tuple[FindingChange, ...]]:
    """Go on with a history; where the machine cannot read it at this moment, end and leave it as it is."""
    try:
        return go_on(store)
    except sqlite3.OperationalError as error:
        store.close()
        raise _cannot_read(state, error) from error


def _cannot_read(where: str, error: sqlite3.OperationalError) -> CommandError:
    return CommandError(f"{where}: the history cannot be read now: {error}; it stays as it is", status=os.EX_IOERR)


def go_on(store: Store) -> tuple[Engine, tuple[FindingChange, ...]]:
    """Make an engine that goes on with a history, and give the latest changes of findings.

    A history that holds nonsense is set aside, and a new one begun.
    """
    try:
        return _restore(store)
    except Exception as error:  # noqa: BLE001 (whatever stands in a damaged row, the watch goes on)
        store.start_over(error)
        return _restore(store)


def _restore(store: Store) -> tuple[Engine, tuple[FindingChange, ...]]:
    engine = Engine(None, confirmations=LIVE_CONFIRMATIONS)
    restore(engine, store)
    return engine, store.read_finding_changes(since=time.time() - RECENT_SECONDS)


def make_recording_daemon(source: str | None, build_path: str | None, state: str | None) -> tuple[Daemon, ServedPast]:
    """Build a daemon that shows a recording as it ends, and its past; the demo's where none is named.

    Its frames are judged at their own times, and kept in memory where no folder is named; then it stands still.

    Raises:
        CommandError: The recording or a named declaration cannot be read, or says what it may not.
    """
    build = load_build(build_path, demo=source is None)
    # Frames may lie as far apart as they like: what is kept of them alone has no holes.
    store = Store.open(":memory:", hole_seconds=float("inf")) if state is None else _open_store(_find_history(state))
    engine = Engine(build)  # one frame is a confirmed pass
    host, _ = keep_recording(source, engine, store, demo=source is None)
    declaration = DeclarationFile(build_path or "", _load_named, build=build)
    recent = store.read_finding_changes()
    daemon = Daemon(LastFrameHost(host), declaration, writer=store, engine=engine, recent=recent)
    now = host.clock().unix_seconds
    past = BoxPast(history=store, build=build, begins=None, now=now, passes=engine.past)
    return daemon, ServedPast(lambda: nullcontext(past))


def _load_named(path: str) -> tuple[str, Build]:
    text = read_build_text(path)
    return text, parse_declaration(text, path)


def _find_history(state: str) -> str:
    with file_errors(state, writing=True):
        Path(state).mkdir(mode=0o750, parents=True, exist_ok=True)
    return str(Path(state) / HISTORY)
