"""The declaration's file as the daemon follows it: read again when it changes; a wrong one leaves the old in force."""

from collections.abc import Callable
from pathlib import Path

from laneproof.declaration.build import Build


class DeclarationFile:
    """One file, checked for changes now and then."""

    def __init__(self, path: str, load: Callable[[str], Build | None]) -> None:
        """Follow a file.

        Args:
            path: Where it stands; empty where there is no file to follow.
            load: Reads it; raises an exception whose text says what is wrong with it.
        """
        self.path = path
        self._load = load
        self._seen: tuple[float, int, int] | None = None

    def has_changed(self) -> bool:
        """Whether it is another file, or other content, than when it was last read."""
        return self._stamp() != self._seen

    def read(self) -> Build | None:
        """Read it now, and remember which state of it was read, good or not."""
        self._seen = self._stamp()
        return self._load(self.path)

    def _stamp(self) -> tuple[float, int, int] | None:
        if not self.path:
            return None
        try:
            status = Path(self.path).stat()
        except OSError:
            return None
        return status.st_mtime, status.st_size, status.st_ino
