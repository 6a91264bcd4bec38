"""The listening socket that the service manager opened and passed to this process. Source: sd_listen_fds(3)."""

import os
import socket

FIRST_PASSED_DESCRIPTOR = 3  # SD_LISTEN_FDS_START


def take_passed_socket() -> socket.socket | None:
    """Take the one socket that was passed; None where none or several were.

    Raises:
        OSError: What was passed is no socket.
    """
    if os.environ.get("LISTEN_PID") != str(os.getpid()) or os.environ.get("LISTEN_FDS") != "1":
        return None
    passed = socket.socket(fileno=FIRST_PASSED_DESCRIPTOR)
    passed.set_inheritable(False)
    return passed
