"""Whether an acceptance run that was announced still goes on: a file that it holds locked, and takes away at its end.

The kernel lets go of the lock when the process ends, however it ends, and so does the load. A file that nobody holds is
what a killed run left.
"""

import errno
import fcntl
import os
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

FILE = "proof.lock"
"""Its name, in the folder of the history."""


@contextmanager
def hold_lock(folder: Path) -> Iterator[None]:
    """Hold the lock for as long as a run goes on.

    Raises:
        BlockingIOError: Another run holds it.
        OSError: It cannot be made.
    """
    file, made = folder / FILE, folder / f"{FILE}.{os.getpid()}"
    if file.exists() and not is_run_dead(folder):
        raise BlockingIOError(errno.EAGAIN, "another run holds it", str(file))
    made.unlink(missing_ok=True)
    # the daemon may be another user, and only looks; a file is never opened through a link of its
    descriptor = os.open(made, os.O_RDONLY | os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW | os.O_CLOEXEC, 0o644)
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX)
        made.rename(file)  # whoever sees it sees it locked
        yield
    finally:
        with suppress(OSError):
            file.unlink(missing_ok=True)
        os.close(descriptor)


def is_run_dead(folder: Path) -> bool:
    """Whether a run died without an end of its own; says so once."""
    file = folder / FILE
    try:
        descriptor = os.open(file, os.O_RDONLY | os.O_NOFOLLOW | os.O_CLOEXEC)
    except OSError:
        return False
    try:
        fcntl.flock(descriptor, fcntl.LOCK_SH | fcntl.LOCK_NB)
        file.unlink(missing_ok=True)
    except OSError:  # a run holds it, or it cannot be taken away
        return False
    finally:
        os.close(descriptor)
    return True
