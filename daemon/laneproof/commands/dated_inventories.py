"""The inventories of a comparison, from a recording, an audit's JSON, the daemon's history or this machine."""

import os
from pathlib import Path

from pydantic import ValidationError

from laneproof.box.inventory.from_snapshot import label_positions, make_inventory
from laneproof.changes import DatedInventory
from laneproof.commands.errors import CommandError
from laneproof.commands.history_file import find_history, open_history
from laneproof.commands.inputs import now_by_clock, open_host, open_lines, open_recording
from laneproof.commands.moment_argument import NOW, is_relative, parse_moment
from laneproof.declaration.build import Build
from laneproof.findings import format_time
from laneproof.history.boots import HOLE_SECONDS
from laneproof.outputs.audit_json import AuditReport, name_box
from laneproof_collectors.collection import read_snapshot
from laneproof_collectors.host import Host
from laneproof_collectors.recorded_host import RecordedHost
from laneproof_collectors.recording import RecordingError, parse_header

FIRST = "first"
"""The moment of a recording's first frame."""


def load_inventory(name: str, build: Build | None, state: str | None) -> DatedInventory:
    """Load what a name stands for, with the declaration's labels.

    A name is a recording (its last frame) or ``REC@MOMENT``, an audit's JSON, or ``@MOMENT`` of the daemon's history in
    the folder `state`; ``@now`` is this machine as it stands.

    Raises:
        CommandError: There is no such inventory, or it cannot be read (64, 65, 66, 77).
    """
    if name.startswith("@"):
        return _load_moment(name.removeprefix("@"), build, state)
    file, at, moment = name, "", ""
    if not Path(name).exists() and "@" in name:
        file, at, moment = name.rpartition("@")
    if _is_recording(file):
        return load_frame(file, moment if at else None, build)
    if at:
        raise CommandError(f"{file}: an audit has one moment only; leave out @{moment}", status=os.EX_USAGE)
    return _load_audit(file)


def _is_recording(file: str) -> bool:
    with open_lines(file) as lines:
        try:
            parse_header(next(lines, ""))
        except RecordingError:
            return False
    return True


# --- a recording ------------------------------------------------------------------------------------------------------


def load_frame(file: str | None, moment: str | None, build: Build | None, *, demo: bool = False) -> DatedInventory:
    """Load a recording, or the demo's, as it stood at a moment, with the declaration's labels.

    A moment is as `parse_moment` has it, counted back from the last frame, or ``first``; None is the last frame.
    """
    until = None
    if moment is not None and moment != FIRST:
        until = parse_moment(moment, now=_find_end(file, demo=demo) if is_relative(moment) else 0.0)
    with open_recording(file, demo=demo) as recording:
        host = RecordedHost(recording.header)
        began: float | None = None
        for frame in recording.frames:
            if began is not None and (moment == FIRST or (until is not None and frame.t > until)):
                break
            if began is None and until is not None and frame.t > until:
                message = f"{recording.name} begins at {format_time(frame.t)}, after {format_time(until)}"
                raise CommandError(message, status=os.EX_DATAERR)
            host.apply(frame)
            began = frame.t if began is None else began
        if began is None:
            raise CommandError(f"{recording.name}: the recording has no frame", status=os.EX_DATAERR)
        return _take_now(host, recording.name, build)


def _find_end(file: str | None, *, demo: bool) -> float:
    with open_recording(file, demo=demo) as recording:
        return max((frame.t for frame in recording.frames), default=0.0)


def _take_now(host: Host, name: str, build: Build | None) -> DatedInventory:
    snapshot = read_snapshot(host)
    return DatedInventory(
        name=name,
        box=name_box(build, snapshot),
        taken_at=snapshot.taken_at,
        inventory=make_inventory(build, snapshot),
    )


# --- an audit ---------------------------------------------------------------------------------------------------------


def _load_audit(file: str) -> DatedInventory:
    with open_lines(file) as lines:
        text = "\n".join(lines)
    try:
        report = AuditReport.model_validate_json(text)
    except ValidationError as error:
        first = error.errors(include_url=False, include_context=False)[0]
        where = ".".join(str(part) for part in first["loc"])
        why = f"{f'{where}: ' if where else ''}{first['msg']}"
        message = f"{file}: neither a recording nor an audit's JSON ({why})"
        raise CommandError(message, status=os.EX_DATAERR) from error
    taken_at = parse_moment(report.taken_at, now=0.0)
    return DatedInventory(name=file, box=report.box, taken_at=taken_at, inventory=report.inventory)


# --- this machine, and what the daemon keeps of it --------------------------------------------------------------------


def _load_moment(moment: str, build: Build | None, state: str | None) -> DatedInventory:
    if moment == NOW:
        with open_host(None) as host:
            return _take_now(host, "this machine", build)
    return load_kept(parse_moment(moment, now=now_by_clock()), build, state)


def load_kept(moment: float, build: Build | None, state: str | None) -> DatedInventory:
    """Load the inventory that the daemon kept and that held at a moment, unix seconds, with the declaration's labels.

    Raises:
        CommandError: There is no history (66), none that this program can read (65, 77), or none from that time (65).
    """
    file = find_history(state)
    with open_history(file) as history:
        kept = history.inventory_at(moment)
        first = next(iter(history.read_inventories()), None) if kept is None else None
        ended = [watch.ended_at for watch in history.read_watches() if watch.began_at <= moment]
    if kept is None:
        known = f"begins at {format_time(first.t)}" if first else "holds no inventory yet"
        message = f"{file}: nothing is known of {format_time(moment)}: the history {known}"
        raise CommandError(message, status=os.EX_DATAERR)
    unwatched = (
        f", not watched after {format_time(max(ended))}" if moment - max(ended, default=moment) > HOLE_SECONDS else ""
    )
    return DatedInventory(
        name=f"history, as since {format_time(kept.t)}{unwatched}",
        box=build.box.name if build else None,
        taken_at=moment,
        inventory=label_positions(kept.inventory, build),
    )
