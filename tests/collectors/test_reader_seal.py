"""The seal: what a sealed process, and a program that it starts, may still ask a driver for."""

import json
import os
import subprocess
import sys

import pytest

from laneproof_collectors.reader_seal import _IOCTL

# Numbers of include/uapi/linux/nvme_ioctl.h, as the kernel's header computes them: IO_CMD, SUBMIT_IO, RESET,
# SUBSYS_RESET, RESCAN, ADMIN64_CMD, IO64_CMD, IO64_CMD_VEC.
TAKEN = [0xC0484E43, 0x40304E42, 0x4E44, 0x4E45, 0x4E46, 0xC0504E47, 0xC0504E48, 0xC0504E49]
# ADMIN_CMD, ID; SG_IO of scsi/sg.h; FIONREAD of asm-generic/ioctls.h.
LEFT = [0xC0484E41, 0x4E40, 0x2285, 0x541B]
TRY = """
import fcntl, json, os, sys
def number(request):
    try:
        fcntl.ioctl(os.open("/dev/null", os.O_RDONLY), request, bytearray(80), True)
    except OSError as error:
        return error.errno
print(json.dumps([number(int(request)) for request in sys.argv[1:]]))
"""
SEALED = """
import subprocess, sys
from laneproof_collectors.reader_seal import seal
assert seal()
sys.exit(subprocess.run([sys.executable, *sys.argv[1:]]).returncode)
"""


def _ask(*start: str) -> list[int | None]:
    call = [*start, "-c", TRY, *map(str, TAKEN + LEFT)]
    environment = {"PYTHONPATH": os.pathsep.join(sys.path)}
    done = subprocess.run(call, env=environment, capture_output=True, text=True, check=True)
    answers: list[int | None] = json.loads(done.stdout)
    return answers


@pytest.mark.skipif(os.uname().machine not in _IOCTL, reason="no number of the system call is known for this machine")
def test_only_admin_commands_are_left_of_what_an_nvme_driver_offers() -> None:
    eperm, enotty = 1, 25
    unsealed, sealed = _ask(sys.executable), _ask(sys.executable, "-c", SEALED)
    assert unsealed == [enotty] * len(TAKEN + LEFT)  # /dev/null knows none of them
    assert sealed == [eperm] * len(TAKEN) + [enotty] * len(LEFT)
