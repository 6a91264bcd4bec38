"""The past as the service's JSON documents have it, read again from the history for each request."""

from collections.abc import Callable
from contextlib import AbstractContextManager
from typing import Any, TypeVar

from laneproof.commands.box_past import BoxPast
from laneproof.commands.errors import CommandError
from laneproof.commands.trend import find_subject, read_trend
from laneproof.findings import FindingChange
from laneproof.outputs.episodes_text import list_episodes
from laneproof.outputs.events_text import happening_as_json
from laneproof.outputs.position_past import PositionPast, choose_happenings
from laneproof.outputs.time_columns import choose_grid
from laneproof.outputs.watch_gaps import find_unwatched, say_watched
from laneproof.past.past import Past
from laneproof.service.api import PastUnreadableError

MOST_COLUMNS = 120
_Answer = TypeVar("_Answer")


class ServedPast:
    """Answers for the past of one box."""

    def __init__(self, open_past: Callable[[], AbstractContextManager[BoxPast]]) -> None:
        """Take what opens it."""
        self._open_past = open_past

    def read_changes(self, since: float) -> list[FindingChange]:
        """Read what became of findings since a time, newest first."""
        return list(reversed(self._ask(lambda past: past.history.read_finding_changes(since=since))))

    def read_episodes(self, since: float | None) -> list[dict[str, Any]]:
        """Read the disconnects and resets since a time, oldest first."""

        def ask(past: BoxPast) -> list[dict[str, Any]]:
            found = list_episodes(past.ledger, past.labels, since=since, until=past.now) if past.ledger else ()
            return [happening_as_json(happening) for happening in found]

        return self._ask(ask)

    def read_position(self, name: str, since: float | None, default_seconds: float) -> PositionPast:
        """Read how a position, drive or part went over time.

        Raises:
            LookupError: Nothing that was kept has that name.
        """

        def ask(past: BoxPast) -> PositionPast:
            begins = past.since(None, default_seconds) if since is None else min(since, past.now - 1.0)
            try:
                subject = find_subject(name, past)
            except CommandError as error:
                raise LookupError(str(error)) from error
            grid = choose_grid(begins, past.now, MOST_COLUMNS)
            begins = max(begins, grid.begins)
            events = tuple(past.history.read_events(since=grid.begins, until=past.now))
            unwatched = find_unwatched(past.history.read_watches(), begins, past.now)
            return PositionPast(
                trend=read_trend(subject, past, grid, events),
                happened=choose_happenings(past.read_happenings(grid.begins, events), subject),
                watched=say_watched(unwatched, begins, past.now),
            )

        return self._ask(ask)

    def read_passes(self) -> Past | None:
        """Read what the passes add up to, as last kept; None where that is nothing."""
        return self._ask(lambda past: past.passes)

    def _ask(self, question: Callable[[BoxPast], _Answer]) -> _Answer:
        try:
            with self._open_past() as past:
                return question(past)
        except CommandError as error:
            raise PastUnreadableError(str(error)) from error
