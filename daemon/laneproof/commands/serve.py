"""``laneproof serve``: the daemon, built from its settings, until it is told to stop."""

import argparse
import dataclasses
import logging
import os
import sys
from pathlib import Path

from laneproof.build.declaration import Build
from laneproof.commands.errors import CommandError
from laneproof.commands.sources import DEFAULT_BUILD, load_build
from laneproof.engine import LIVE_CONFIRMATIONS, Engine
from laneproof.history.store import Store
from laneproof.service.daemon import Daemon, handle_signals
from laneproof.service.declaration_file import DeclarationFile
from laneproof.service.http import Pages, Server
from laneproof.service.settings import Settings, SettingsError, parse_listen, parse_settings
from laneproof_collectors.collection import make_collectors
from laneproof_collectors.host import LiveHost

DEFAULT_SETTINGS = "/etc/laneproof/service.toml"
HISTORY = "history.db"


def run(arguments: argparse.Namespace) -> int:
    """Serve until SIGTERM or SIGINT."""
    logging.getLogger().setLevel(logging.INFO)
    settings = load_settings(arguments.config)
    address, port, state = settings.address, settings.port, arguments.state or settings.state
    if arguments.listen:
        try:
            address, port = parse_listen(arguments.listen)
        except SettingsError as error:
            raise CommandError(str(error), status=os.EX_USAGE) from error
    daemon = make_daemon(arguments.build, settings, state)
    try:
        try:
            server = Server(address, port, Pages(lambda: daemon.published))
        except OSError as error:
            message = f"cannot listen at {address}:{port}: {(error.strerror or str(error)).lower()}"
            raise CommandError(message, status=os.EX_CONFIG) from error
        handle_signals(daemon)
        server.start()
        print(f"laneproof: listening at http://{address}:{server.port}/", file=sys.stderr, flush=True)  # noqa: T201
        daemon.run()
        server.close()
    finally:
        daemon.close()
    return 0


def load_settings(path: str | None) -> Settings:
    """Load the service's settings; a missing file at the default place is all defaults.

    Raises:
        CommandError: A named file is missing (66) or not permitted (77), or says what it may not (78).
    """
    place = path or DEFAULT_SETTINGS
    try:
        return parse_settings(Path(place).read_text(encoding="utf-8"), name=place)
    except FileNotFoundError as error:
        if path is None:
            return Settings()
        raise CommandError.from_os_error(error, place) from error
    except OSError as error:
        raise CommandError.from_os_error(error, place) from error
    except (SettingsError, UnicodeDecodeError) as error:
        raise CommandError(str(error), status=os.EX_CONFIG) from error


def make_daemon(build_path: str | None, settings: Settings, state: str) -> Daemon:
    """Build the daemon: its host, history, engine and collectors.

    Raises:
        CommandError: A named declaration is missing or wrong at the start, or the state's folder cannot be made.
    """
    if build_path is not None:
        load_build(build_path)  # at the start a wrong declaration is told and ends it; later it leaves the old one
    try:
        Path(state).mkdir(mode=0o750, parents=True, exist_ok=True)
    except OSError as error:
        raise CommandError.from_os_error(error, state, writing=True) from error
    store = Store.open(str(Path(state) / HISTORY))
    engine = Engine(None, confirmations=LIVE_CONFIRMATIONS)
    engine.restore(store.load_standing(), store.load_past())
    collectors = tuple(
        dataclasses.replace(one, interval_seconds=settings.intervals.get(one.group, one.interval_seconds))
        for one in make_collectors()
    )

    def load(path: str) -> Build | None:
        return load_build(path if build_path is not None or Path(path).exists() else None)

    declaration = DeclarationFile(build_path or DEFAULT_BUILD, load)
    return Daemon(LiveHost(), declaration, keeper=store, engine=engine, collectors=collectors)
