"""An attacker's program, run as a unit with another's restrictions: tries what must fail, and prints what became of it.

Nothing of it hurts where it works: it is for an emulated machine, and says so by the drive's name before it writes.
"""

import contextlib
import ctypes
import fcntl
import json
import os
import socket
import struct
import sys
from collections.abc import Callable
from pathlib import Path

_ADMIN, _IO = 0xC0484E41, 0xC0484E43  # include/uapi/linux/nvme_ioctl.h
_PASSTHROUGH = struct.Struct("=BBHIIIQQII6III")
_SET_FEATURES, _WRITE = 0x09, 0x01
_WRITE_CACHE = 0x06
_HIDDEN = ("/run/systemd/private", "/run/dbus/system_bus_socket", "/run/systemd/journal/stdout")


def send(request: int, *, opcode: int, namespace: int, cdw10: int, data: bytes) -> None:
    buffer = ctypes.create_string_buffer(data, max(len(data), 1))
    command = bytearray(
        _PASSTHROUGH.pack(
            opcode, 0, 0, namespace, 0, 0, 0, ctypes.addressof(buffer) if data else 0, 0, len(data),
            cdw10, 0, 0, 0, 0, 0, 0, 0,
        )
    )  # fmt: skip
    descriptor = os.open("/dev/nvme0", os.O_RDONLY)
    status = fcntl.ioctl(descriptor, request, command, True)  # noqa: FBT003 (the C interface)
    if status:
        raise OSError(5, f"the drive's status {status:#x}")


def write_block() -> None:
    with open("/dev/nvme0n1", "r+b", buffering=0) as disk:  # noqa: PTH123 (as bare as an attack)
        disk.write(b"x" * 512)


def write_block_by_a_node_of_its_own() -> None:
    device = Path("/sys/class/block/nvme0n1/dev").read_text().strip().split(":")
    os.mknod("/tmp/disk", 0o600 | 0o060000, os.makedev(*map(int, device)))  # noqa: S108 (no file of ours) (its own)
    os.open("/tmp/disk", os.O_RDWR)  # noqa: S108 (no file of ours)


def connect(path: str) -> None:
    socket.socket(socket.AF_UNIX).connect(path)


def open_port() -> None:
    listening = socket.socket()
    listening.bind(("127.0.0.1", 7767))
    listening.listen()


def mount() -> None:
    library = ctypes.CDLL(None, use_errno=True)
    if library.mount(b"none", b"/tmp", b"tmpfs", 0, None):
        raise OSError(ctypes.get_errno(), "mount")


ATTEMPTS: dict[str, Callable[[], object]] = {
    "write a block": write_block,
    "write a block through a node of its own": write_block_by_a_node_of_its_own,
    "write a block by a command": lambda: send(_IO, opcode=_WRITE, namespace=1, cdw10=0, data=b"x" * 512),
    "send another admin command": lambda: send(_ADMIN, opcode=_SET_FEATURES, namespace=0, cdw10=_WRITE_CACHE, data=b""),
    "read /etc/shadow": lambda: Path("/etc/shadow").read_bytes()[0],
    "read a home": lambda: os.listdir("/root")[0],  # noqa: PTH208 (likewise)
    "write to /etc": lambda: Path("/etc/laneproof-attacked").write_text("x"),
    "write a setting of the kernel": lambda: Path("/proc/sys/kernel/hostname").write_text("taken"),
    "write to the kernel's log": lambda: os.write(os.open("/dev/kmsg", os.O_WRONLY), b"<0>taken"),
    "read memory": lambda: os.open("/dev/mem", os.O_RDONLY),
    "see another process": lambda: Path("/proc/1/cmdline").read_bytes(),
    "signal the first process": lambda: os.kill(1, 0),
    "open another port": open_port,
    "mount": mount,
    "become root": lambda: os.setuid(0) or os.getuid() or os.setgid(0) if os.getuid() else 1 / 0,
    **{f"reach {path}": lambda path=path: connect(path) for path in _HIDDEN},
}


def main() -> None:
    if "sealed" in sys.argv:  # as the reader's own process is, and whatever it starts
        from laneproof_collectors.reader_seal import seal  # noqa: PLC0415 (it is sealed from here on)

        seal()
    done: dict[str, str] = {}
    for name, attempt in ATTEMPTS.items():
        done[name] = "done"
        try:
            attempt()
        except (OSError, IndexError, ZeroDivisionError) as error:
            done[name] = str(error) or type(error).__name__
    with contextlib.suppress(OSError):
        done["user"] = str(os.getuid())
    sys.stdout.write(json.dumps(done))


if __name__ == "__main__":
    main()
