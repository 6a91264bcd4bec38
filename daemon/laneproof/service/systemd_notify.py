"""Tells systemd how the service does: ready, reloading, stopping, one line of status, and that it is alive.

Source: sd_notify(3). Without ``NOTIFY_SOCKET`` nothing is sent.
"""

import contextlib
import os
import socket
import time
from collections.abc import Mapping


class SystemdNotifier:
    """A datagram socket to the service manager."""

    def __init__(self, environment: Mapping[str, str]) -> None:
        """Take the manager's address and the watchdog's period from the environment."""
        address = environment.get("NOTIFY_SOCKET", "")
        self._address = "\0" + address[1:] if address.startswith("@") else address
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) if address else None
        mine = environment.get("WATCHDOG_PID") in (None, str(os.getpid()))
        period = environment.get("WATCHDOG_USEC", "")
        self.watchdog_seconds = int(period) / 2e6 if mine and period.isdecimal() else None
        """Give the seconds between two signs of life: half of what the manager waits; None where it does not wait."""
        self._last_alive = 0.0

    def _send(self, *lines: str) -> None:
        if self._socket is not None:
            with contextlib.suppress(OSError):  # a manager that went away must not end the service
                self._socket.sendto("\n".join(lines).encode(), self._address)

    def ready(self, status: str) -> None:
        """All is up; one line of status."""
        self._send("READY=1", f"STATUS={status}")

    def reloading(self) -> None:
        """The declaration is being read again; `ready` ends it."""
        self._send("RELOADING=1", f"MONOTONIC_USEC={time.clock_gettime_ns(time.CLOCK_MONOTONIC) // 1000}")

    def stopping(self) -> None:
        """The service ends."""
        self._send("STOPPING=1")

    def status(self, status: str) -> None:
        """Give one line of status."""
        self._send(f"STATUS={status}")

    def alive(self, now: float) -> None:
        """The loop made progress; said no more often than the watchdog needs."""
        if self.watchdog_seconds is not None and now - self._last_alive >= self.watchdog_seconds / 2:
            self._last_alive = now
            self._send("WATCHDOG=1")

    def close(self) -> None:
        """Close the socket."""
        if self._socket is not None:
            self._socket.close()
