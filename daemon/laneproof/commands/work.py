"""``laneproof work``: planned work, during which what it causes is kept and not sent."""

import argparse
import os
import re
import time

from laneproof.commands.errors import CommandError, file_errors
from laneproof.commands.notify import leave_request, load_notify_settings
from laneproof.commands.terminal import show
from laneproof.findings import write_time
from laneproof.notification.decisions import KEPT_CRITICAL_SECONDS
from laneproof.notification.state_folder import StateFolder

_LENGTH = re.compile(r"(\d{1,4})([mhd])", re.ASCII)
_UNIT_SECONDS = {"m": 60.0, "h": 3600.0, "d": 86400.0}
LONGEST_SECONDS = 7 * 86400.0


def run(arguments: argparse.Namespace) -> int:
    """Begin, end or show planned work."""
    settings = load_notify_settings(arguments.config)
    match arguments.do:
        case "start":
            if not arguments.text:
                raise CommandError('say what is done: laneproof work start "swap riser-2"', status=os.EX_USAGE)
            now = time.time()
            until = now + parse_length(arguments.length)
            leave_request(settings, do="start-work", text=arguments.text, since=now, until=until)
            show(
                f"until {write_time(until)}, or 'laneproof work end', what this causes is kept and not sent\n"
                "what is critical elsewhere is sent at once; where the text names no position,"
                f" {KEPT_CRITICAL_SECONDS / 3600:.0f} hours after the begin\n"
            )
        case "end":
            show(_describe(settings.state))
            leave_request(settings, do="end-work")
            show("what is still wrong is sent soon\n")
        case _:
            show(_describe(settings.state))
    return os.EX_OK


def parse_length(text: str) -> float:
    """Parse how long work takes, such as ``2h``, in seconds.

    Raises:
        CommandError: It is no length, or more than a week (64).
    """
    match = _LENGTH.fullmatch(text)
    seconds = int(match[1]) * _UNIT_SECONDS[match[2]] if match else 0.0
    if not 0 < seconds <= LONGEST_SECONDS:
        raise CommandError(f"--for {text}: write 30m, 2h or 1d, a week at the most", status=os.EX_USAGE)
    return seconds


def _describe(state: str) -> str:
    folder = StateFolder(state)
    with file_errors(state):
        work, waits = folder.load().reports.work, folder.has_requests
    pending = "a request waits for the notifier; it runs? systemctl status laneproof-notify\n" if waits else ""
    if work is None:
        return f"no work is planned\n{pending}"
    kept = "".join(f"  {line}\n" for line in work.kept) or "  nothing so far\n"
    span = f"since {write_time(work.since)}, until {write_time(work.until)}"
    return f"{work.text}: {span}; kept and not sent:\n{kept}{pending}"
