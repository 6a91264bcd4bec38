"""The kernel's device events (see ``host.py``, which alone opens this): each as the kernel sent it, to whoever listens.

Rules of this module: only what the kernel itself sent counts, and only of the subsystems that a storage box's faults
show in. Events that came faster than they were taken are lost without a word: a pass looks at the devices anyway.
"""

import contextlib
import errno
import socket

SUBSYSTEMS = frozenset({"nvme", "pci", "block", "scsi", "net"})

_PROTOCOL, _KERNELS_GROUP = 15, 1  # include/uapi/linux/netlink.h, NETLINK_KOBJECT_UEVENT; lib/kobject_uevent.c
_FROM_THE_KERNEL = 0
_MOST_BYTES = 8192  # a message is 2048 bytes and a heading at most (include/linux/kobject.h, UEVENT_BUFFER_SIZE)


class UeventReader:
    """A socket that the kernel sends its events to; it needs no right and no program beside."""

    def __init__(self) -> None:
        """Listen from now on.

        Raises:
            OSError: The system gives no such socket.
        """
        self._socket = socket.socket(socket.AF_NETLINK, socket.SOCK_RAW | socket.SOCK_NONBLOCK, _PROTOCOL)
        self._socket.bind((0, _KERNELS_GROUP))

    def read(self) -> tuple[dict[str, str], ...]:
        """Take what came since the last time."""
        events = []
        with contextlib.suppress(BlockingIOError):
            while True:
                try:
                    message, (sender, _) = self._socket.recvfrom(_MOST_BYTES)
                except OSError as error:
                    if error.errno == errno.ENOBUFS:  # some were lost
                        continue
                    raise
                if sender == _FROM_THE_KERNEL and (event := parse_uevent(message)) is not None:
                    events.append(event)
        return tuple(events)

    def fileno(self) -> int:
        """Give the descriptor that becomes readable with an event."""
        return self._socket.fileno()

    def close(self) -> None:
        """Listen no more."""
        self._socket.close()


def parse_uevent(message: bytes) -> dict[str, str] | None:
    """Parse one event.

    Args:
        message: ``add@/devices/...``, then ``KEY=value`` each, all ended by NUL.

    Returns:
        Its keys as the kernel wrote them, the device's name with its folder, and the three that every event has again
        in small letters; ``None`` for another subsystem's, and for what is no event.

    Source: Linux lib/kobject_uevent.c, ``kobject_uevent_env``.
    """
    pairs = (field.partition("=") for field in message.decode("utf-8", "replace").split("\0")[1:])
    found = {key: value for key, equals, value in pairs if equals}
    if found.get("SUBSYSTEM") not in SUBSYSTEMS or not {"ACTION", "DEVPATH"} <= found.keys():
        return None
    if "DEVNAME" in found:
        found["DEVNAME"] = f"/dev/{found['DEVNAME'].removeprefix('/dev/')}"
    return {"action": found["ACTION"], "devpath": found["DEVPATH"], "subsystem": found["SUBSYSTEM"], **found}
