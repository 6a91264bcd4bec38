"""What stops a command: one clear line on standard error, and an exit status from sysexits.h."""

import os
from collections.abc import Iterator
from contextlib import contextmanager


class CommandError(Exception):
    """A command cannot go on; its exit status is one of ``os.EX_*`` (sysexits.h)."""

    def __init__(self, message: str, *, status: int) -> None:
        """Say what is wrong, where, and the next safe step, in one line or a few."""
        super().__init__(message)
        self.status = status

    @classmethod
    def from_os_error(cls, error: OSError, path: str, *, writing: bool = False) -> "CommandError":
        """Turn a failure to open one of the program's own files into the sentence and the status."""
        why = (error.strerror or str(error)).lower()
        if isinstance(error, PermissionError):
            return cls(f"{path}: {why}; run as root, or give this user access to it", status=os.EX_NOPERM)
        if writing:
            return cls(f"{path}: cannot be written: {why}", status=os.EX_CANTCREAT)
        if isinstance(error, FileNotFoundError | IsADirectoryError | NotADirectoryError):
            return cls(f"{path}: {why}", status=os.EX_NOINPUT)
        return cls(f"{path}: cannot be read: {why}", status=os.EX_IOERR)


@contextmanager
def file_errors(path: str, *, writing: bool = False) -> Iterator[None]:
    """Let a failure to open or write one of the program's own files end the command."""
    try:
        yield
    except OSError as error:
        raise CommandError.from_os_error(error, path, writing=writing) from error
