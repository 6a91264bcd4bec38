"""A failure to open one of the program's own files becomes a sentence and a status of sysexits.h."""

import errno
import os

import pytest

from laneproof.commands.errors import CommandError


@pytest.mark.parametrize(
    ("number", "writing", "status", "says"),
    [
        (errno.ENOENT, False, os.EX_NOINPUT, "no such file or directory"),
        (errno.EISDIR, False, os.EX_NOINPUT, "is a directory"),
        (errno.ENOTDIR, False, os.EX_NOINPUT, "not a directory"),
        (errno.EIO, False, os.EX_IOERR, "cannot be read: input/output error"),
        (errno.EACCES, False, os.EX_NOPERM, "permission denied; run as root"),
        (errno.EPERM, False, os.EX_NOPERM, "operation not permitted; run as root"),
        (errno.EACCES, True, os.EX_NOPERM, "permission denied; run as root"),
        (errno.ENOENT, True, os.EX_CANTCREAT, "cannot be written: no such file or directory"),
        (errno.EROFS, True, os.EX_CANTCREAT, "cannot be written: read-only file system"),
    ],
)
def test_an_errno_has_its_status(number: int, writing: bool, status: int, says: str) -> None:
    error = CommandError.from_os_error(OSError(number, os.strerror(number)), "build.toml", writing=writing)
    assert error.status == status
    assert str(error).startswith(f"build.toml: {says}")
    assert "\n" not in str(error)


def test_an_error_without_a_number_still_says_something() -> None:
    assert str(CommandError.from_os_error(OSError("odd"), "x")) == "x: cannot be read: odd"
