"""The one loop over a recording: frame after frame is read, judged at its own time, and kept where that is wanted."""

import os
from collections.abc import Iterator
from dataclasses import dataclass

from laneproof.commands.confirm import gather_evidence
from laneproof.commands.errors import CommandError
from laneproof.commands.inputs import open_recording
from laneproof.engine import Engine, PassResult
from laneproof.history.notes import CONFIRMED, NOTE, KeptNote
from laneproof.history.store import Store
from laneproof.service.owner_notes import sort_notes
from laneproof_collectors.hotplug import DeviceEvent, read_device_events
from laneproof_collectors.kernel_log.reading import KernelEvents, read_kernel_events
from laneproof_collectors.questions import Clock
from laneproof_collectors.recorded_host import RecordedHost
from laneproof_collectors.replaying import ReplayReader
from laneproof_collectors.unread import Unread


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordedPass:
    """One frame, read and judged, with what the owner wrote."""

    clock: Clock
    kernel: KernelEvents | Unread
    devices: tuple[DeviceEvent, ...] | Unread
    notes: tuple[KeptNote, ...]
    result: PassResult


def judge_frames(
    host: RecordedHost, engine: Engine | None, name: str, *, may_be_empty: bool = False
) -> Iterator[RecordedPass]:
    """Read every frame of a recording, and judge it at its own time; the host stands at the last one afterwards.

    Without an engine the readings alone are given, in a fraction of the time.

    Raises:
        CommandError: The recording has no frame (65), and may not be empty.
    """
    reader, is_empty = ReplayReader(host), True
    while host.advance():
        kernel, devices, clock = read_kernel_events(host), read_device_events(host), host.clock()
        notes: list[KeptNote] = []
        if engine is None:
            result = PassResult(snapshot=reader.read(), findings=(), changes=(), waiting=False)
        else:
            notes = [_note(engine, clock, NOTE, note.position, note.text) for note in host.notes]
            _add_notes(engine, notes)
            snapshot = reader.read()
            result = engine.observe(snapshot, kernel, devices, read_again=reader.read_again)
            confirmed = [_confirm(engine, clock, result, cause.position, cause.cause) for cause in host.confirmed]
            _add_notes(engine, confirmed)
            notes += confirmed
        yield RecordedPass(clock=clock, kernel=kernel, devices=devices, notes=tuple(notes), result=result)
        is_empty = False
    if is_empty and not may_be_empty:
        raise CommandError(f"{name}: the recording has no frame", status=os.EX_DATAERR)


def _add_notes(engine: Engine, kept: list[KeptNote]) -> None:
    if kept:
        labels = tuple(declared.label for declared in engine.build.position) if engine.build else ()
        notes, confirmed = sort_notes(kept, labels)
        engine.add_notes(notes=notes, confirmed=confirmed)


def _note(engine: Engine, clock: Clock, kind: str, label: str | None, text: str) -> KeptNote:
    position = engine.build.position_named(label) if engine.build and label else None
    path = position.path if position else label or ""
    return KeptNote(t=clock.unix_seconds, kind=kind, text=text, path=path, detail={"position": label})


def _confirm(engine: Engine, clock: Clock, result: PassResult, label: str, cause: str) -> KeptNote:
    """Make the note of a confirmed cause, with what is known of the case by now."""
    note, ledger = _note(engine, clock, CONFIRMED, label, f"{label} was {cause}"), engine.past.ledger
    drive = ledger.drives.at(note.path)
    serial = drive.serial if drive is not None else ""
    rules = {finding.rule: finding.reasons for finding in result.findings if finding.path == note.path}
    detail = {"position": label, "cause": cause, "evidence": gather_evidence(ledger, note.path, serial, rules)}
    return KeptNote(t=note.t, kind=CONFIRMED, text=note.text, path=note.path, drive=serial, detail=detail)


def keep_recording(
    source: str | None, engine: Engine | None, store: Store, *, demo: bool
) -> tuple[RecordedHost, list[float]]:
    """Keep a recording's frames in a history, judged at their own times, which are given with the host at its end."""
    times = []
    try:
        with open_recording(source, demo=demo) as recording:
            host = recording.host()
            for frame in judge_frames(host, engine, recording.name):
                keep_frame(frame, store)
                times.append(frame.clock.unix_seconds)
    except BaseException:
        store.close()
        raise
    return host, times


def keep_frame(frame: RecordedPass, store: Store) -> None:
    """Write one judged frame into a history, as the daemon writes a pass."""
    store.add_pass(frame.result)
    if not isinstance(frame.kernel, Unread):
        store.add_kernel_events(frame.kernel.events, frame.clock)
    if not isinstance(frame.devices, Unread):
        store.add_device_events(frame.devices, frame.clock)
    for note in frame.notes:
        store.add_note(note)
