"""A machine is judged with what is known of its past: all frames of a recording, or what the daemon kept."""

import contextlib
import os
from pathlib import Path

import pytest

from laneproof.commands import judgement
from laneproof.commands.errors import CommandError
from laneproof.commands.judgement import STATE_NAME, judge_machine
from laneproof.commands.serve import HISTORY
from laneproof.engine import Engine
from laneproof.history.store import Store
from laneproof_collectors.collection import read_snapshot
from laneproof_collectors.recorded_host import RecordedHost
from laneproof_collectors.recording import parse_frames, parse_header
from simulation.box import Drive, Port, RecordingWriter, SimulatedBox

START = 1_790_000_000.0
FOLDER = "/sys/block/md0/md"


def record() -> list[str]:
    """Record a mirror whose check comes to its end, and a drive that makes a media error."""
    box = SimulatedBox(
        ports=[Port(hop="01.1", drive=Drive(serial="A1")), Port(hop="01.2", drive=Drive(serial="A2"))],
    )
    writer = RecordingWriter(box)
    for number, done in enumerate(("500000 / 1000000", "999000 / 1000000", "none")):
        box.extra_files = {
            "/sys/block/md0/size": "1000000\n",
            f"{FOLDER}/array_state": "clean\n",
            f"{FOLDER}/level": "raid1\n",
            f"{FOLDER}/raid_disks": "2\n",
            f"{FOLDER}/degraded": "0\n",
            f"{FOLDER}/sync_action": "idle\n" if done == "none" else "check\n",
            f"{FOLDER}/sync_completed": f"{done}\n",
            f"{FOLDER}/mismatch_cnt": "0\n",
        }
        writer.take(box, t=START + 60.0 * number, up=600.0 + 60.0 * number)
    return writer.lines


def host_of(lines: list[str]) -> RecordedHost:
    return RecordedHost(parse_header(lines[0]), parse_frames(lines[1:]))


def test_recording_is_judged_frame_by_frame(tmp_path: Path) -> None:
    file = tmp_path / "box.jsonl"
    file.write_text("".join(f"{line}\n" for line in record()))
    with judge_machine(str(file), None, demo=False, state=None) as one:
        assert one.past.box.checks["md0"].ended_at == START + 120.0
        assert one.snapshot.taken_at == START + 120.0
        assert one.gap is None


def test_demo_shows_the_signs_that_took_months() -> None:
    with judge_machine(None, None, demo=True, state=None) as one:
        assert "media-errors-rising" in {finding.rule for finding in one.findings}


def test_recording_without_a_frame_is_reported(tmp_path: Path) -> None:
    file = tmp_path / "box.jsonl"
    file.write_text(f"{record()[0]}\n")
    with (
        pytest.raises(CommandError, match="has no frame") as caught,
        judge_machine(str(file), None, demo=False, state=None),
    ):
        pass
    assert caught.value.status == os.EX_DATAERR


def test_this_machine_is_judged_with_what_the_daemon_kept(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    lines = record()
    store, engine, host = Store.open(str(tmp_path / HISTORY)), Engine(None), host_of(lines)
    while host.advance():
        store.add_pass(engine.observe(read_snapshot(host)))
    store.save_state(STATE_NAME, engine.as_state())
    store.close()
    now = host_of(lines)
    while now.advance():
        pass
    monkeypatch.setattr(judgement, "open_host", lambda _: contextlib.nullcontext(now))
    with judge_machine(None, None, demo=False, state=str(tmp_path)) as one:
        assert one.gap is None
        assert one.past.box.checks["md0"].ended_at == START + 120.0
        assert one.host is now


def test_machine_without_a_history_is_judged_and_says_what_is_not_known(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    now = host_of(record())
    now.advance()
    monkeypatch.setattr(judgement, "open_host", lambda _: contextlib.nullcontext(now))
    with judge_machine(None, None, demo=False, state=str(tmp_path)) as one:
        assert one.gap is not None
        assert "there is no history" in one.gap
        assert one.past.box.checks["md0"].ended_at is None
