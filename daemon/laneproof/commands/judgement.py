"""A machine read and judged with what is known of its past: by the daemon's history, or a recording's frames."""

import logging
from collections import deque
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass

from laneproof.commands.errors import CommandError
from laneproof.commands.history_file import find_history, load_kept_declaration, open_history
from laneproof.commands.inputs import DEFAULT_BUILD, open_host, open_recording
from laneproof.commands.recorded_passes import judge_frames
from laneproof.declaration.build import Build
from laneproof.engine import STATE_NAME, Engine
from laneproof.findings import Finding
from laneproof.history.history import History
from laneproof.past.past import Past
from laneproof.past.saved_state import LedgerStateError
from laneproof.service.owner_notes import sort_notes
from laneproof_collectors.collection import read_snapshot
from laneproof_collectors.host import Host
from laneproof_collectors.snapshot import Snapshot

_log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True, kw_only=True)
class Judgement:
    """One machine, judged, its host still open.

    `gap` is why nothing is known of earlier passes, None where something is; `seen` has path and serial number of
    drives that the daemon's history holds.
    """

    host: Host
    build: Build | None
    snapshot: Snapshot
    findings: tuple[Finding, ...]
    past: Past
    gap: str | None = None
    seen: frozenset[tuple[str, str]] = frozenset()

    def serials_at(self, path: str) -> set[str]:
        """Give the serial numbers of the drives that are known to have been in a position."""
        records = self.past.ledger.drives.records.values()
        return {serial for where, serial in self.seen if where == path and serial} | {
            record.serial for record in records if record.path == path
        }


@contextmanager
def judge_machine(source: str | None, build: Build | None, *, demo: bool, state: str | None) -> Iterator[Judgement]:
    """Judge this machine with what its daemon knows, or all frames of a recording.

    Without a declaration the one that this machine's service kept is taken, if any.

    Raises:
        CommandError: The recording cannot be read, or has no frame.
    """
    engine = Engine(build)
    if source is not None or demo:
        with open_recording(source, demo=demo) as recording:
            host = recording.host()
            (last,) = deque(judge_frames(host, engine, recording.name), maxlen=1)
            result = last.result
            yield Judgement(
                host=host, build=build, snapshot=result.snapshot, findings=result.findings, past=engine.past
            )
        return
    gap, seen = _remember(engine, state)
    with open_host(None) as live:
        result = engine.observe(read_snapshot(live))
        yield Judgement(
            host=live,
            build=engine.build,
            snapshot=result.snapshot,
            findings=result.findings,
            past=engine.past,
            gap=gap,
            seen=seen,
        )


def _remember(engine: Engine, state: str | None) -> tuple[str | None, frozenset[tuple[str, str]]]:
    """Let the engine go on with what the daemon knows; says why it cannot, and which drives were where."""
    try:
        with open_history(find_history(state)) as history:
            seen = frozenset((path, drive) for path, drive, _ in history.read_origins())
            restore_for_command(engine, history)
    except (CommandError, ValueError) as error:
        return str(error), frozenset()
    if engine.declaration_problem is not None:
        _log.warning("%s; the declaration that the service kept is used", engine.declaration_problem)
    return None, seen


def restore_for_command(engine: Engine, history: History) -> None:
    """Let an engine go on with a history, and with the declaration kept there where its file is gone."""
    restore(engine, history)
    if engine.build is None and (kept := load_kept_declaration(history).declaration) is not None:
        engine.build, engine.declaration_problem = kept[1], f"{DEFAULT_BUILD} is gone"


def restore(engine: Engine, history: History) -> None:
    """Let an engine go on with a history: its findings, what its passes add up to, what the owner noted."""
    try:
        engine.restore(history.load_standing(), history.load_state(STATE_NAME))
    except LedgerStateError as error:
        _log.warning("%s; it begins again, the rest of the history goes on", error)
    notes, confirmed = sort_notes(history.read_notes(), ())
    engine.add_notes(notes=notes, confirmed=confirmed)
