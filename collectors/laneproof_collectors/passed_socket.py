"""The listening socket that the service manager opened and passed to this process. Source: sd_listen_fds(3)."""

import errno
import os
import socket

FIRST_PASSED_DESCRIPTOR = 3  # SD_LISTEN_FDS_START


def take_passed_socket() -> socket.socket | None:
    """Take the one socket that was passed; None where none was.

    Raises:
        OSError: Several were passed, or what was passed is no socket.
    """
    count = os.environ.get("LISTEN_FDS", "0")
    if os.environ.get("LISTEN_PID") != str(os.getpid()) or count == "0":
        return None
    if count != "1":
        raise OSError(errno.EINVAL, f"systemd passed {count} sockets, where one is expected")
    passed = socket.socket(fileno=FIRST_PASSED_DESCRIPTOR)
    passed.set_inheritable(False)
    return passed
