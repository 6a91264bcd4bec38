"""The declaration's file as the daemon follows it: read again when it changes; a wrong one leaves the old in force.

The last good one is kept with the history. Where the file is gone or wrong at a start, the kept one is in force, and
that is reported as a problem. Only the owner takes a declaration out of force.
"""

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from laneproof.declaration.build import Build

STATE_NAME = "declaration"
"""The name under which what `DeclarationFile.as_state` gives is kept."""


@dataclass(frozen=True, slots=True, kw_only=True)
class KeptDeclaration:
    """What an earlier run kept.

    Attributes:
        declaration: The last good one, its text and what it says; None where there is none.
        path: Its file.
        out_of_force: The text that the owner took out of force; until the file is changed, it stays so.
    """

    declaration: tuple[str, Build] | None = None
    path: str | None = None
    out_of_force: str | None = None


NOTHING_KEPT = KeptDeclaration()


class DeclarationFile:
    """One file, checked for changes now and then.

    Attributes:
        path: Where it stands; empty where there is no file to follow.
        build: The declaration in force, None where there is none.
        problem: Why the newest one is not in force; None where it is, and where there is none.
    """

    def __init__(
        self,
        path: str,
        load: Callable[[str], tuple[str, Build] | None],
        *,
        build: Build | None = None,
        kept: KeptDeclaration = NOTHING_KEPT,
    ) -> None:
        """Follow a file.

        Args:
            path: Where it stands; empty where there is no file to follow.
            load: Reads it, its text and what it says; None where there is no such file. Raises an exception whose text
                says what is wrong with it.
            build: The declaration that is in force where there is no file to follow.
            kept: What an earlier run kept of it.
        """
        self.path = path
        self.build = build
        self.problem: str | None = None
        self._load = load
        self._kept, self._out_of_force = kept.declaration, kept.out_of_force
        self._seen: tuple[float, int, int] | None = None

    def has_changed(self) -> bool:
        """Whether it is another file, or other content, than when it was last read."""
        return self._stamp() != self._seen

    def read(self) -> None:
        """Read it now, and remember which state of it was read, good or not."""
        if not self.path:
            return
        self._seen = self._stamp()
        try:
            found = self._load(self.path)
        except Exception as error:  # noqa: BLE001 (whatever is wrong with it, the old one stays)
            self._stay(str(error))
            return
        if found is None:
            self._stay(f"{self.path} is gone" if self._kept else None)
        elif found[0] == self._out_of_force:
            self.problem = None
        else:
            self._kept, self._out_of_force, self.problem = found, None, None
            self.build = found[1]

    def as_state(self) -> dict[str, Any] | None:
        """Give what is to be known at the next start, as plain JSON values; None where there is nothing."""
        if self._kept is None and self._out_of_force is None:
            return None
        return {"text": self._kept and self._kept[0], "out_of_force": self._out_of_force, "path": self.path}

    def _stay(self, problem: str | None) -> None:
        """Leave the last good one in force, if there is one."""
        self.problem = problem
        if self._kept is not None:
            self.build = self._kept[1]

    def _stamp(self) -> tuple[float, int, int] | None:
        if not self.path:
            return None
        try:
            status = Path(self.path).stat()
        except OSError:
            return None
        return status.st_mtime, status.st_size, status.st_ino
