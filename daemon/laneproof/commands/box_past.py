"""What was kept of a box: by its daemon, or of a recording's frames, which are kept as the daemon would keep them."""

import argparse
import os
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass

from laneproof.commands.errors import CommandError
from laneproof.commands.history_file import find_history, open_history
from laneproof.commands.inputs import load_build, now_by_clock
from laneproof.commands.moment_argument import parse_moment
from laneproof.declaration.build import Build
from laneproof.engine import STATE_NAME, Engine
from laneproof.history.events import Event
from laneproof.history.history import History
from laneproof.outputs.episodes_text import list_episodes
from laneproof.outputs.events_text import Happening, gather
from laneproof.past.ledger import Ledger
from laneproof.past.past import Past
from laneproof.past.saved_state import LedgerStateError


@dataclass(frozen=True, slots=True, kw_only=True)
class BoxPast:
    """A box's past; times are unix seconds.

    `begins` is None for the daemon's history, `now` the end of a recording; `passes` is what the passes add up to, None
    where nothing was saved of it, or it cannot be used.
    """

    history: History
    build: Build | None
    begins: float | None
    now: float
    passes: Past | None = None

    @property
    def ledger(self) -> Ledger | None:
        """What all passes add up to over time."""
        return self.passes.ledger if self.passes else None

    @property
    def labels(self) -> dict[str, str]:
        """Label by path, of the declared positions."""
        return {position.path: position.label for position in self.build.position} if self.build else {}

    def read_happenings(self, since: float, events: Iterable[Event] | None = None) -> list[Happening]:
        """Read all that happened since a time, oldest first; `events` where they were read already."""
        return gather(
            self.history.read_events(since=since, until=self.now) if events is None else events,
            self.history.read_finding_changes(since=since, until=self.now),
            self.history.read_notes(since=since),
            self.labels,
            () if self.ledger is None else list_episodes(self.ledger, self.labels, since=since, until=self.now),
        )

    def since(self, moment: str | None, default_seconds: float) -> float:
        """Give the time to begin at: as the user wrote it, else so far back; of a recording all of it.

        Raises:
            CommandError: It is no moment, or lies ahead (64).
        """
        if moment is None:
            return self.now - default_seconds if self.begins is None else self.begins
        since = parse_moment(moment, now=self.now)
        if since >= self.now:
            raise CommandError(f"--since {moment}: nothing can have happened since then", status=os.EX_USAGE)
        return since


@contextmanager
def open_past(arguments: argparse.Namespace, *, is_judged: bool = True) -> Iterator[BoxPast]:
    """Open what was kept of a box: of the recording that is named, or by the daemon in the folder `state`.

    A recording that is not judged has no findings and no episodes, and takes a fraction of the time.

    Raises:
        CommandError: There is nothing, or it cannot be read (65, 66, 77).
    """
    build = load_build(arguments.build, demo=arguments.demo)
    if arguments.source is None and not arguments.demo:
        with open_history(find_history(arguments.state)) as history:
            yield BoxPast(history=history, build=build, begins=None, now=now_by_clock(), passes=load_passes(history))
        return
    history, begins, ends, passes = _keep_recording(
        arguments.source, Engine(build) if is_judged else None, demo=arguments.demo
    )
    try:
        yield BoxPast(history=history, build=build, begins=begins, now=ends, passes=passes)
    finally:
        history.close()


def load_passes(history: History) -> Past | None:
    """Load what the daemon's passes add up to, as last saved; None where there is nothing, or nothing to be used."""
    state, engine = history.load_state(STATE_NAME), Engine(None)
    if not isinstance(state, dict) or not isinstance(state.get("ledger"), dict):
        return None
    try:
        engine.restore((), state)
    except LedgerStateError:
        return None  # the daemon begins again too, and says so
    return engine.past


def _keep_recording(
    source: str | None, engine: Engine | None, *, demo: bool
) -> tuple[History, float, float, Past | None]:
    """Keep a recording's frames in memory, judged at their own times; first and last time, and the passes."""
    from laneproof.commands.recorded_passes import keep_recording
    from laneproof.history.store import Store

    # Frames may lie as far apart as they like.
    store = Store.open(":memory:", hole_seconds=float("inf"), tidies=False)
    _, times = keep_recording(source, engine, store, demo=demo)
    return store, min(times), max(times), engine.past if engine else None
