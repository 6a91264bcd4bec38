"""A look is had from the daemon's history as it stood at a moment, and from this machine as it stands."""

import contextlib
import os
from pathlib import Path

import pytest

from boxes.snapshot_box import declare
from laneproof.changes import compare
from laneproof.commands import dated_inventories
from laneproof.commands.dated_inventories import load_inventory, load_kept
from laneproof.commands.errors import CommandError
from laneproof.commands.history_file import HISTORY
from laneproof.engine import Engine
from laneproof.history.store import Store
from laneproof_collectors.collection import make_collectors, read_snapshot
from laneproof_collectors.recorded_host import RecordedHost
from laneproof_collectors.recording import parse_frames, parse_header
from simulation.box import RecordingWriter, SimulatedBox
from simulation.hardware import Drive, Port

START = 1_790_000_000.0  # 2026-09-21T14:13:20Z
DAY = 86400.0
BUILD = declare('[[position]]\nlabel = "upper"\npath = "0000:00/01.1"')


def record() -> RecordedHost:
    """Record a box for four days: it lives a day, is updated and slow, and has another drive at last."""
    box = SimulatedBox(ports=[Port(hop="01.1", drive=Drive(serial="A1"))])
    writer = RecordingWriter(box)
    for day in range(5):
        if day == 1:
            box.reboot()
            box.bios_version, box.ports[0].target_generation = "1.30", 3
        if day == 3:
            box.ports[0].drive = Drive(serial="B2")
        writer.take(box, t=START + DAY * day, up=60.0 + DAY * day)
    header, *rest = writer.lines
    return RecordedHost(parse_header(header), parse_frames(rest))


@pytest.fixture
def state(tmp_path: Path) -> str:
    """Let the daemon's engine and store live through the recording."""
    store, engine, host, collectors = Store.open(str(tmp_path / HISTORY)), Engine(None), record(), make_collectors()
    while host.advance():
        store.add_pass(engine.observe(read_snapshot(host, collectors)))
    store.close()
    return str(tmp_path)


def test_history_gives_what_held_at_a_moment(state: str) -> None:
    first, updated, last = (load_kept(START + DAY * at, BUILD, state) for at in (0.5, 2.0, 9.0))
    (change,) = compare(first.inventory, updated.inventory).changes
    assert (change.subject, [detail.subject for detail in change.details]) == ("board firmware", ["upper"])
    assert [change.summary for change in compare(updated.inventory, last.inventory).changes] == [
        "Fathomline Petrel 4000, serial B2, 4 TB is here now, before Fathomline Petrel 4000, serial A1, 4 TB"
    ]
    assert updated.name == "history, as since 2026-09-22T14:13:20Z"
    assert last.name.endswith(", not watched after 2026-09-25T14:13:20Z")
    assert (updated.box, updated.taken_at) == ("kelp-1", START + 2 * DAY)


def test_moment_before_the_history_begins_is_shown_with_its_beginning(state: str) -> None:
    with pytest.raises(CommandError, match="the history begins at 2026-09-21T14:13:20Z") as caught:
        load_kept(START - DAY, None, state)
    assert caught.value.status == os.EX_DATAERR


def test_history_without_an_inventory_says_so(tmp_path: Path) -> None:
    Store.open(str(tmp_path / HISTORY)).close()
    with pytest.raises(CommandError, match="the history holds no inventory yet"):
        load_kept(START, None, str(tmp_path))


def test_day_of_the_history_is_compared_with_this_machine(state: str, monkeypatch: pytest.MonkeyPatch) -> None:
    host = record()
    for _ in range(5):
        host.advance()
    monkeypatch.setattr(dated_inventories, "open_host", lambda _: contextlib.nullcontext(host))
    now = load_inventory("@now", BUILD, state)
    assert (now.name, now.taken_at) == ("this machine", START + 4 * DAY)
    kept = load_inventory("@2026-09-23", BUILD, state)
    assert [change.subject for change in compare(kept.inventory, now.inventory).changes] == ["upper"]


def test_history_compared_with_itself_has_no_change(state: str) -> None:
    one, other = (load_kept(START + DAY * at, BUILD, state) for at in (3.5, 4.5))
    assert compare(one.inventory, other.inventory).verdict == "same"
