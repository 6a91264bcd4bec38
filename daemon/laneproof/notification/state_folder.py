"""The notifier's folder: its state in one file that is replaced whole, and what commands asked of it, a line each.

The state is written beside and renamed, so that a stop at any moment leaves the one before or the one after. Commands
of other users only add lines to a file of their own; the notifier alone writes the state.
"""

import json
import logging
import os
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from pydantic import TypeAdapter, ValidationError

from laneproof.line_inbox import forget_lines, has_lines, leave_line, take_lines
from laneproof.notification.decisions import Reports
from laneproof.notification.outbox import Queue

_log = logging.getLogger(__name__)

STATE, REQUESTS = "state.json", "requests.jsonl"
VERSION = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class NotifierState:
    """All that is kept over a restart.

    Attributes:
        next_item: The next number in the queue.
        asked_until: Up to when the daemon's changes were read, RFC 3339; empty where they never were.
        box: The box's name as the daemon gave it last.
        silent_since: Since when the daemon does not answer, unix seconds; None while it does.
    """

    version: int = VERSION
    reports: Reports = field(default_factory=Reports)
    queue: Queue = ()
    next_item: int = 1
    asked_until: str = ""
    box: str = "this box"
    silent_since: float | None = None


_STATE = TypeAdapter(NotifierState)


class StateFolder:
    """The folder."""

    def __init__(self, folder: str | Path) -> None:
        """Name it; nothing is opened yet."""
        self._folder = Path(folder)
        self._requests = self._folder / REQUESTS

    def make(self) -> None:
        """Make the folder where it is missing.

        Raises:
            OSError: It cannot be made.
        """
        self._folder.mkdir(mode=0o750, parents=True, exist_ok=True)

    def load(self) -> NotifierState:
        """Load the state; a first one where there is none, or where it is damaged, which is kept beside and reported.

        Raises:
            OSError: It cannot be read.
        """
        file = self._folder / STATE
        try:
            content = file.read_bytes()
            version = _read_version(content)
            if version != VERSION:
                raise OSError(None, f"written by another version of laneproof ({version}, not {VERSION})", str(file))
            return _STATE.validate_json(content)
        except FileNotFoundError:
            return NotifierState()
        except ValidationError as error:
            aside = file.with_suffix(".damaged")
            file.replace(aside)
            _log.error(
                "%s was damaged (%s); it lies at %s, and all is reported again", file, error.error_count(), aside
            )
            return NotifierState()

    def save(self, state: NotifierState) -> None:
        """Replace the state, so that it is on the medium when this returns.

        Raises:
            OSError: It cannot be written.
        """
        beside = self._folder / f"{STATE}.new"
        beside.unlink(missing_ok=True)  # what a stop left, or a link that somebody put there
        with beside.open("xb") as out:
            out.write(_STATE.dump_json(state))
            out.flush()
            os.fsync(out.fileno())
        beside.replace(self._folder / STATE)
        descriptor = os.open(self._folder, os.O_RDONLY | os.O_CLOEXEC)
        try:
            os.fsync(descriptor)
        finally:
            os.close(descriptor)

    def request(self, content: dict[str, Any]) -> None:
        """Leave a request for the notifier, which may run as another user.

        Raises:
            OSError: It cannot be written.
        """
        leave_line(self._requests, json.dumps(content), mode=0o644)

    @property
    def has_requests(self) -> bool:
        """Whether a request waits, which the notifier takes up within a quarter of a minute."""
        return has_lines(self._requests)

    def read_requests(self) -> list[dict[str, Any]]:
        """Read what commands asked; `clear_requests` forgets it once it is in the state.

        Raises:
            OSError: It cannot be read.
        """
        return list(_parse_lines(take_lines(self._requests)))

    def clear_requests(self) -> None:
        """Forget what was read.

        Raises:
            OSError: It cannot be deleted.
        """
        forget_lines(self._requests)


def _read_version(content: bytes) -> int:
    """Read it first: another version's form may be another."""
    try:
        return int(json.loads(content)["version"])
    except (ValueError, KeyError, TypeError):
        return VERSION  # damaged, which is seen when it is read


def _parse_lines(lines: list[str]) -> Iterator[dict[str, Any]]:
    for line in lines:
        try:
            content = json.loads(line)
        except ValueError:
            content = None
        if isinstance(content, dict):
            yield content
        else:
            _log.warning("passed over a line that is no request: %.80s", line)
