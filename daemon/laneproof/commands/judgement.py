"""A machine read and judged with what is known of its past: by the daemon's history, or a recording's frames."""

import argparse
import logging
import os
from collections import deque
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace

from laneproof.commands.errors import CommandError
from laneproof.commands.history_file import find_history, load_kept_declaration, open_history
from laneproof.commands.inputs import DEFAULT_BUILD, load_build, open_host, open_recording
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
    """One machine, judged.

    Attributes:
        host: The machine, still open.
        snapshot: The facts.
        findings: What the rules say of them.
        past: What is known of earlier passes.
        gap: Why nothing is known of earlier passes; None where something is.
        seen: Path and serial number of drives that the daemon's history holds.
    """

    host: Host
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
    """Read a machine and judge it.

    Args:
        source: A recording, all of whose frames are judged; None for this machine.
        build: The declaration, None where there is none.
        demo: Whether to take the demo's recording.
        state: The folder of the daemon's history; None for the service's own.

    Raises:
        CommandError: The recording cannot be read, or has no frame.
    """
    engine = Engine(build)
    if source is not None or demo:
        with open_recording(source, demo=demo) as recording:
            host = recording.host()
            (last,) = deque(judge_frames(host, engine, recording.name), maxlen=1)
            yield Judgement(host=host, snapshot=last.result.snapshot, findings=last.result.findings, past=engine.past)
        return
    gap, seen = _remember(engine, state)
    with open_host(None) as live:
        result = engine.observe(read_snapshot(live))
        yield Judgement(
            host=live, snapshot=result.snapshot, findings=result.findings, past=engine.past, gap=gap, seen=seen
        )


def _remember(engine: Engine, state: str | None) -> tuple[str | None, frozenset[tuple[str, str]]]:
    """Let the engine go on with what the daemon knows; says why it cannot, and which drives were where."""
    try:
        with open_history(find_history(state)) as history:
            seen = frozenset((path, drive) for path, drive, _ in history.read_origins())
            restore(engine, history)
    except (CommandError, ValueError) as error:
        return str(error), frozenset()
    return None, seen


def restore(engine: Engine, history: History) -> None:
    """Let an engine go on with a history: its findings, what its passes add up to, what the owner noted."""
    try:
        engine.restore(history.load_standing(), history.load_state(STATE_NAME))
    except LedgerStateError as error:
        _log.warning("%s; it begins again, the rest of the history goes on", error)
    notes, confirmed = sort_notes(history.read_notes(), ())
    engine.add_notes(notes=notes, confirmed=confirmed)


@dataclass(frozen=True, slots=True, kw_only=True)
class Now:
    """A machine as it is now.

    Attributes:
        build: The declaration in force, None where there is none.
        problem: Why the newest declaration is not in force, None where it is.
        snapshot: The facts.
        findings: What the rules say of them; since when is said where a history says it.
    """

    build: Build | None
    problem: str | None
    snapshot: Snapshot
    findings: tuple[Finding, ...]


def make_engine(arguments: argparse.Namespace) -> tuple[Engine, bool]:
    """Make an engine with what the daemon of this machine knows, and say whether that could be read.

    Args:
        arguments: As `judge_now` takes them.

    Raises:
        CommandError: The declaration cannot be read, or says what it may not.
    """
    build, is_live = load_build(arguments.build, demo=arguments.demo), not (arguments.source or arguments.demo)
    engine, knows = Engine(build), False
    if is_live:
        try:
            with open_history(find_history(arguments.state)) as history:
                restore(engine, history)
                knows = True
                if build is None and (kept := load_kept_declaration(history).declaration) is not None:
                    engine.build, engine.declaration_problem = kept[1], f"{DEFAULT_BUILD} is gone"
        except CommandError as error:
            if error.status != os.EX_NOINPUT:  # where no daemon ever ran, nothing is missing
                _log.warning("judged without what the service knows of earlier passes: %s", error)
    return engine, knows


def judge_now(arguments: argparse.Namespace) -> Now:
    """Judge this machine with what its daemon knows, or the last frame of a recording by itself.

    Args:
        arguments: `source` and `demo` name a recording, `state` the folder of the daemon's history, `build` the
            declaration.

    Raises:
        CommandError: An input cannot be read, or says what it may not.
    """
    engine, knows = make_engine(arguments)
    with open_host(arguments.source, demo=arguments.demo) as host:
        snapshot = read_snapshot(host)
    findings = engine.observe(snapshot).findings
    if not knows:
        findings = tuple(replace(finding, since=None) for finding in findings)
    return Now(build=engine.build, problem=engine.declaration_problem, snapshot=snapshot, findings=findings)
