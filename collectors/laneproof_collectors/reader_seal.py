"""What the reader gives up at its start, for itself and all that it runs: every request to an NVMe driver but one.

The kernel lets whoever may ask a drive for a log also write blocks through the driver, reset a controller or have it
look for namespaces. A filter takes these away for good (seccomp(2)). It sees a request's number, not what is in it: of
the one request that is left, admin commands, only the reader's own code sends reading ones alone.
"""

import ctypes
import os
import struct
import sys

_IOCTL = {"x86_64": 16, "aarch64": 29, "riscv64": 29, "loongarch64": 29, "ppc64le": 54}
"""The system call's number by machine. Source: Linux asm-generic/unistd.h, and the tables of x86 and powerpc."""
_NVME_TYPE, _TYPE_BITS = 0x4E00, 0xFF00  # include/uapi/linux/nvme_ioctl.h: all are of the type 'N'
_LEFT = (0xC0484E41, 0x4E40)  # NVME_IOCTL_ADMIN_CMD; NVME_IOCTL_ID, by which smartctl asks for a namespace's number

# Numbers of seccomp(2), prctl(2) and BPF, from the kernel's headers filter.h, seccomp.h and prctl.h.
_LOAD, _AND, _JUMP_IF_EQUAL, _RETURN = 0x20, 0x54, 0x15, 0x06
_NUMBER_OFFSET, _SECOND_ARGUMENT_OFFSET = 0, 24
_ALLOW, _FAIL = 0x7FFF0000, 0x00050000
_SET_NO_NEW_PRIVILEGES, _SET_SECCOMP, _FILTER_MODE = 38, 22, 2
_EPERM = 1
_INSTRUCTION = struct.Struct("=HBBI")


def seal() -> bool:
    """Take the requests away from this thread, all that it starts, and all programs that it runs.

    Returns:
        Whether that could be done: not on every kind of machine.
    """
    number = _IOCTL.get(os.uname().machine) if sys.byteorder == "little" else None
    if number is None:
        return False
    # A jump's two targets are counted from the instruction after it; the last two say no and yes.
    program = (
        (_LOAD, 0, 0, _NUMBER_OFFSET),
        (_JUMP_IF_EQUAL, 0, 6, number),
        (_LOAD, 0, 0, _SECOND_ARGUMENT_OFFSET),
        (_JUMP_IF_EQUAL, 4, 0, _LEFT[0]),
        (_JUMP_IF_EQUAL, 3, 0, _LEFT[1]),
        (_AND, 0, 0, _TYPE_BITS),
        (_JUMP_IF_EQUAL, 0, 1, _NVME_TYPE),
        (_RETURN, 0, 0, _FAIL | _EPERM),
        (_RETURN, 0, 0, _ALLOW),
    )
    code = ctypes.create_string_buffer(b"".join(_INSTRUCTION.pack(*step) for step in program))
    described = struct.pack("@HP", len(program), ctypes.addressof(code))
    control = ctypes.CDLL(None, use_errno=True).prctl
    control.argtypes = (ctypes.c_int, ctypes.c_ulong, ctypes.c_char_p, ctypes.c_ulong, ctypes.c_ulong)
    return not (control(_SET_NO_NEW_PRIVILEGES, 1, None, 0, 0) or control(_SET_SECCOMP, _FILTER_MODE, described, 0, 0))
