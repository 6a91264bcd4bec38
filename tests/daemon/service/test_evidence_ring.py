"""The evidence ring on a real folder: what is put in it lies there at once, and it never grows beyond its size."""

import json
import logging
import os
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from boxes.running_daemon import DROPPED, Rig
from boxes.turned_box_host import removed
from laneproof.service import daemon as daemon_module
from laneproof.service import evidence_ring
from laneproof.service.evidence_ring import EvidenceRing
from support.waiting import PATIENCE_SECONDS, wait_for


@pytest.fixture(autouse=True)
def patient(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let the end wait for what is still to be written, however busy the machine's own drive is."""
    monkeypatch.setattr(evidence_ring, "CLOSE_SECONDS", PATIENCE_SECONDS)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return tmp_path / "stick" / "evidence"


@pytest.fixture
def ring(folder: Path) -> Iterator[EvidenceRing]:
    made = EvidenceRing(str(folder), files=3, file_bytes=2000)
    yield made
    made.close()


def _write(folder: Path, *numbers: int, **sizes: int) -> None:
    ring = EvidenceRing(str(folder), **sizes)
    for number in numbers:
        ring.put([{"n": number}])
    ring.close()


def _lines(folder: Path) -> list[Any]:
    files = sorted(folder.iterdir()) if folder.exists() else ()
    return [json.loads(line) for file in files for line in file.read_text().splitlines()]


def test_a_line_lies_in_the_folder_as_soon_as_it_is_put_and_before_the_end(ring: EvidenceRing, folder: Path) -> None:
    read_at = time.monotonic()
    ring.put([{"what": "held", "n": 1}, {"what": "events", "n": 2}], read_at=read_at)
    wait_for(lambda: ring.state.delay_seconds is not None)
    assert [line["n"] for line in _lines(folder)] == [1, 2]
    assert ring.state.delay_seconds is not None
    assert 0.0 <= ring.state.delay_seconds <= time.monotonic() - read_at
    assert ring.state.written_bytes == sum(file.stat().st_size for file in folder.iterdir())


def test_each_batch_is_on_its_medium_before_it_counts_as_written(
    ring: EvidenceRing, monkeypatch: pytest.MonkeyPatch
) -> None:
    synced: list[int] = []
    monkeypatch.setattr(os, "fdatasync", lambda _: synced.append(ring.state.written_bytes))
    ring.put([{"n": 1}])
    wait_for(lambda: ring.state.written_bytes)
    assert synced == [0]


def test_no_folder_is_made_before_there_is_anything_to_write(ring: EvidenceRing, folder: Path) -> None:
    ring.put([])
    ring.close()
    assert not folder.exists()


def test_what_waits_is_written_at_the_end(folder: Path) -> None:
    _write(folder, *range(100))
    assert [line["n"] for line in _lines(folder)] == list(range(100))


def test_the_oldest_file_goes_and_what_stays_is_whole_and_in_order(folder: Path) -> None:
    _write(folder, *range(200), files=3, file_bytes=200)
    kept = [line["n"] for line in _lines(folder)]
    assert len(list(folder.iterdir())) == 3
    assert kept == list(range(kept[0], 200))
    assert sum(file.stat().st_size for file in folder.iterdir()) <= 3 * 210


def test_a_later_run_goes_on_with_the_newest_file(folder: Path) -> None:
    for number in (1, 2):
        _write(folder, number)
    assert len(list(folder.iterdir())) == 1
    assert [line["n"] for line in _lines(folder)] == [1, 2]


def test_a_line_that_a_power_cut_left_half_written_costs_itself_alone(folder: Path) -> None:
    folder.mkdir(parents=True)
    (folder / "evidence-000007.jsonl").write_text('{"n":1}\n{"n":2,"te')
    _write(folder, 3)
    lines = (folder / "evidence-000007.jsonl").read_text().splitlines()
    assert lines == ['{"n":1}', '{"n":2,"te', '{"n":3}']


def test_other_files_in_the_folder_are_left_alone(folder: Path) -> None:
    folder.mkdir(parents=True)
    (folder / "letter.txt").write_text("mine")
    _write(folder, *range(5), files=1, file_bytes=10)
    assert (folder / "letter.txt").read_text() == "mine"


def test_a_folder_that_cannot_be_written_is_said_once_counted_and_tried_again(
    ring: EvidenceRing, folder: Path, caplog: pytest.LogCaptureFixture
) -> None:
    folder.parent.write_text("a file where a folder should be")
    for number in range(3):
        ring.put([{"n": number}])
    wait_for(lambda: ring.state.failures == 3)
    assert str(folder) in str(ring.state.problem)
    said = [record for record in caplog.records if record.levelno == logging.ERROR]
    assert len(said) == 1
    folder.parent.unlink()
    ring.put([{"n": 3}])
    wait_for(lambda: ring.state.problem is None)
    assert [line["n"] for line in _lines(folder)] == [3]


def test_a_folder_that_hangs_holds_up_nobody_and_what_is_left_out_is_counted(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    hangs = threading.Event()
    monkeypatch.setattr(evidence_ring, "MOST_WAITING", 4)
    monkeypatch.setattr(evidence_ring, "CLOSE_SECONDS", 0.05)
    monkeypatch.setattr(os, "fdatasync", lambda _: hangs.wait(PATIENCE_SECONDS))
    ring = EvidenceRing(str(folder))
    started = time.monotonic()
    for number in range(50):
        ring.put([{"n": number}])
    ring.close()
    assert time.monotonic() - started < PATIENCE_SECONDS / 2  # it hung all the while
    assert ring.state.failures >= 45
    assert all(thread.daemon for thread in threading.enumerate() if thread.name == "evidence-ring")  # nor the end
    hangs.set()
    wait_for(lambda: ring.state.written_bytes)


def test_the_folder_is_for_its_owner_and_its_group(ring: EvidenceRing, folder: Path) -> None:
    before = os.umask(0o007)
    try:
        ring.put([{"n": 1}])
        wait_for(lambda: ring.state.written_bytes)
    finally:
        os.umask(before)
    assert folder.stat().st_mode & 0o777 == 0o750
    assert next(folder.iterdir()).stat().st_mode & 0o777 == 0o660


def test_a_drop_leaves_what_held_before_it_what_was_reported_and_its_episode(rig: Rig) -> None:
    rig.start()
    rig.passes()
    assert _lines(rig.evidence) == []
    rig.box.ports[0].drive = None
    rig.host.change(removed("0000:01:00.0"), kmsg=(DROPPED,))
    wait_for(lambda: any(line["what"] == "episode" for line in _lines(rig.evidence)))
    lines = _lines(rig.evidence)
    order = [line["what"] for line in lines]
    assert order.index("held") < order.index("events") < order.index("episode")
    (held,) = (line for line in lines if line["what"] == "held")
    assert {reading["drive"] for reading in held["readings"] if reading["end"] == "drive"} == {"A1", "A2"}
    frame = lines[order.index("events")]
    assert [event["message"] for event in frame["kernel"]] == [DROPPED.partition(";")[2]]
    assert [event["action"] for event in frame["devices"]] == ["remove"]
    episode = lines[order.index("episode")]
    assert (episode["position"], episode["drive"], episode["episode"]) == ("riser-1", "A1", 1)
    assert wait_for(lambda: rig.daemon.status.ring and rig.daemon.status.ring.written_bytes)


def test_evidence_that_would_go_with_a_watched_drive_is_said_at_the_start(
    rig: Rig, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    asked: list[str] = []
    monkeypatch.setattr(daemon_module, "find_carrying_drives", lambda folder, *_: asked.append(folder) or ("riser-2",))
    rig.start()
    wait_for(lambda: "lies on riser-2 and goes with it" in caplog.text)
    assert asked == [os.path.realpath(rig.evidence)]


def test_evidence_is_written_while_the_drives_answer_nothing(rig: Rig) -> None:
    rig.start()
    rig.passes()
    rig.host.hold("/")
    rig.host.change(kmsg=(DROPPED,))
    wait_for(lambda: any(line["what"] == "events" for line in _lines(rig.evidence)))
    assert "held" in [line["what"] for line in _lines(rig.evidence)]
