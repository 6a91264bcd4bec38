"""The service's unit, through systemctl."""

import os
import shutil
import subprocess

from laneproof.commands.errors import CommandError

UNIT = "laneproof.service"
SOCKET = "laneproof.socket"
_SECONDS = 180.0
"""A start waits for the first verdict; the unit itself gives up before this (TimeoutStartSec)."""


def check_installed() -> None:
    """Check that systemd knows the unit.

    Raises:
        CommandError: It does not, or does not run here (69).
    """
    try:
        _run("cat", UNIT)
    except CommandError as error:
        message = f"{error}; where systemd runs, packaging/install.sh installs the unit, else `laneproof serve` watches"
        raise CommandError(message, status=error.status) from error


def start(*, changed: bool) -> None:
    """Let the service run now and from each boot on; where its units or settings changed, it and its port begin again.

    Raises:
        CommandError: It does not start (69).
    """
    _run("daemon-reload")
    _run("enable", UNIT)
    try:
        _run(*(("restart", SOCKET, UNIT) if changed else ("start", UNIT)))
    except CommandError as error:
        logs = f"journalctl -u {SOCKET} -u {UNIT} -n 20"
        raise CommandError(f"{error}; `{logs}` says why", status=error.status) from error


def _run(*arguments: str) -> None:
    """Run systemctl.

    Raises:
        CommandError: It is not there, or fails; the sentence has its last line (69).
    """
    program = shutil.which("systemctl")
    if program is None:
        raise CommandError("systemctl is not there", status=os.EX_UNAVAILABLE)
    command = [program, *arguments]
    try:
        subprocess.run(  # noqa: S603 (systemd's own program, and words of ours)
            command, stdin=subprocess.DEVNULL, capture_output=True, text=True, check=True, timeout=_SECONDS
        )
    except subprocess.TimeoutExpired as error:
        message = f"systemctl {' '.join(arguments)} did not end within {_SECONDS:g} s"
        raise CommandError(message, status=os.EX_UNAVAILABLE) from error
    except subprocess.CalledProcessError as error:
        why = (error.stderr.strip().splitlines() or ["no reason given"])[-1].rstrip(".")
        raise CommandError(f"systemctl {' '.join(arguments)}: {why}", status=os.EX_UNAVAILABLE) from error
