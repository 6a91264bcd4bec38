"""A machine is judged with what is known of its past: all frames of a recording, or what the daemon kept."""

import contextlib
from pathlib import Path

import pytest

from boxes.recorded_box import START, Turn, lay_array, make_box, record
from laneproof.commands import judgement
from laneproof.commands.history_file import HISTORY
from laneproof.commands.judgement import judge_machine
from laneproof.engine import STATE_NAME, Engine
from laneproof.history.store import Store
from laneproof_collectors.collection import read_snapshot
from laneproof_collectors.recorded_host import RecordedHost
from laneproof_collectors.recording import parse_frames, parse_header
from simulation.box import SimulatedBox


@pytest.fixture
def recording(tmp_path: Path) -> Path:
    """Record a mirror whose check comes to its end."""

    def check(done: str) -> Turn:
        def turn(box: SimulatedBox) -> None:
            lay_array(box, degraded="0", sync_action="idle" if done == "none" else "check", sync_completed=done)

        return turn

    turns = map(check, ("500000 / 1000000", "999000 / 1000000", "none"))
    return Path(record(tmp_path / "box.jsonl", make_box(2), *turns))


def host_of(recording: Path) -> RecordedHost:
    lines = recording.read_text().splitlines()
    return RecordedHost(parse_header(lines[0]), parse_frames(lines[1:]))


def test_recording_is_judged_frame_by_frame(recording: Path) -> None:
    with judge_machine(str(recording), None, demo=False, state=None) as judged:
        assert judged.past.box.checks["md0"].ended_at == START + 120.0
        assert judged.snapshot.taken_at == START + 120.0
        assert judged.gap is None


def test_demo_shows_the_signs_that_took_months() -> None:
    with judge_machine(None, None, demo=True, state=None) as judged:
        assert "media-errors-rising" in {finding.rule for finding in judged.findings}


def test_this_machine_is_judged_with_what_the_daemon_kept(
    tmp_path: Path, recording: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    store, engine, host = Store.open(str(tmp_path / HISTORY)), Engine(None), host_of(recording)
    while host.advance():
        store.add_pass(engine.observe(read_snapshot(host)))
    store.save_state(STATE_NAME, engine.as_state())
    store.close()
    now = host_of(recording)
    while now.advance():
        pass
    monkeypatch.setattr(judgement, "open_host", lambda _: contextlib.nullcontext(now))
    with judge_machine(None, None, demo=False, state=str(tmp_path)) as judged:
        assert judged.gap is None
        assert judged.past.box.checks["md0"].ended_at == START + 120.0
        assert judged.host is now


def test_machine_without_a_history_is_judged_and_says_what_is_not_known(
    tmp_path: Path, recording: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    now = host_of(recording)
    now.advance()
    monkeypatch.setattr(judgement, "open_host", lambda _: contextlib.nullcontext(now))
    with judge_machine(None, None, demo=False, state=str(tmp_path)) as judged:
        assert judged.gap is not None
        assert "there is no history" in judged.gap
        assert judged.past.box.checks["md0"].ended_at is None
