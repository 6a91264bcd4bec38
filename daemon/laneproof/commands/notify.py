"""``laneproof notify``: delivers what the watch finds, as a process of its own, without rights on the machine."""

import argparse
import logging
import os
import signal
import time
from pathlib import Path

from laneproof.commands.errors import CommandError, file_errors
from laneproof.commands.settings_file import read_settings_file
from laneproof.commands.terminal import show
from laneproof.notification.settings import DEFAULT_CONFIG, NotifySettings, parse_notify_settings
from laneproof.notification.state_folder import StateFolder


def run(arguments: argparse.Namespace) -> int:
    """Deliver until it is stopped; or try the addresses, or take a case as known."""
    settings = load_notify_settings(arguments.config)
    if arguments.acknowledge is not None:
        return _acknowledge(arguments.acknowledge, arguments.because, settings)
    _check_addresses(settings)
    return _try_addresses(settings) if arguments.test else _deliver(settings)


def load_notify_settings(path: str | None) -> NotifySettings:
    """Load the settings.

    Raises:
        CommandError: As `read_settings_file`.
    """
    if path is None and not Path(DEFAULT_CONFIG).exists():
        message = (
            f"{DEFAULT_CONFIG}: no such file; it says where messages go, and alarms.md in the docs how to write it"
        )
        raise CommandError(message, status=os.EX_NOINPUT)
    return read_settings_file(path, DEFAULT_CONFIG, parse_notify_settings)


def leave_request(settings: NotifySettings, **content: object) -> None:
    """Leave a request for the notifier.

    Raises:
        CommandError: Its folder is missing, or not to be written by this user.
    """
    with file_errors(settings.state, writing=True):
        StateFolder(settings.state).request(content)


def _acknowledge(case: int, because: str | None, settings: NotifySettings) -> int:
    if not because:
        raise CommandError("say why with --because, for whoever asks later", status=os.EX_USAGE)
    known = {case.number: case for case in StateFolder(settings.state).load().reports.open}
    if case not in known:
        numbers = ", ".join(f"{case.number} ({case.about})" for case in known.values())
        raise CommandError(f"no open case has number {case}; open: {numbers or 'none'}", status=os.EX_USAGE)
    leave_request(settings, do="acknowledge", case=case, because=because)
    show(f"no more reminders of {known[case].about}, unless it gets worse\n")
    return os.EX_OK


def _check_addresses(settings: NotifySettings) -> None:
    try:
        from laneproof.notification.delivery import find_wrong_addresses

        wrong = find_wrong_addresses(settings.urls)
    except ImportError as error:
        raise CommandError(f"apprise is not installed ({error}); it delivers", status=os.EX_UNAVAILABLE) from error
    if wrong:
        numbers = ", ".join(str(number) for number in wrong)
        raise CommandError(f"urls: number {numbers} is no address that Apprise knows", status=os.EX_CONFIG)


def _try_addresses(settings: NotifySettings) -> int:
    """Send one message to each address at once, and say how it went."""
    from laneproof.findings import Severity
    from laneproof.notification.delivery import deliver
    from laneproof.notification.message import Message

    body = "This is a test: messages of laneproof arrive here.\n"
    message = Message(case=0, kind="test", severity=Severity.NOTICE, title="laneproof: a test", body=body)
    went_well = True
    for number, url in enumerate(settings.urls, start=1):
        is_delivered = deliver(url, message)
        went_well &= is_delivered
        scheme = url.partition(":")[0]
        show(f"{number} ({scheme}): {'taken' if is_delivered else 'not taken; the line above says why'}\n")
    return os.EX_OK if went_well else os.EX_UNAVAILABLE


def _deliver(settings: NotifySettings) -> int:
    from laneproof.notification.delivery import DaemonClient
    from laneproof.notification.notifier import Notifier

    logging.getLogger().setLevel(logging.INFO)
    logging.getLogger("apprise").setLevel(logging.WARNING)
    folder = StateFolder(settings.state)
    with file_errors(settings.state, writing=True):
        folder.make()
        notifier = Notifier(settings, folder, DaemonClient(settings))
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: notifier.stop())
    notifier.run(time.time)
    return os.EX_OK
