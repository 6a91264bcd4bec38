"""A recording is written frame by frame, loses nothing that was read, and never costs another file."""

import gzip
import os
import resource
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest

from contracts.hand_made import inside
from laneproof.commands import record as command
from laneproof.commands.history_file import HISTORY
from laneproof.history.notes import KeptNote
from laneproof.history.store import Store
from laneproof_collectors.recorded_host import RecordedHost
from laneproof_collectors.recorder import RecordingHost
from laneproof_collectors.recording import parse_frames, parse_header

HEADER = '{"format": "laneproof-recording", "version": 1, "host": "tern-2"}'
SERIAL = "FP4K-26A-0117"


def read(file: Path) -> list[str]:
    raw = file.read_bytes()
    return (gzip.decompress(raw) if file.suffix == ".gz" else raw).decode().splitlines()


@pytest.fixture
def demo(tmp_path: Path) -> Path:
    file = tmp_path / "demo.jsonl"
    assert inside("record", file, "--demo").status == 0
    return file


def test_this_machine_is_recorded_pass_by_pass(tmp_path: Path) -> None:
    out = tmp_path / "box.jsonl"
    assert inside("record", out, "--passes", "2", "--every", "0").status == 0
    header, *frames = read(out)
    assert parse_header(header).format == "laneproof-recording"
    first, second = parse_frames(frames)
    assert second.t >= first.t
    assert len(first.files) > len(second.files)  # the second holds what changed


def test_what_the_owner_writes_meanwhile_is_in_the_frame_that_follows(tmp_path: Path) -> None:
    """The daemon keeps the notes; each is recorded once, and none of those that were there before."""
    with closing(Store.open(str(tmp_path / HISTORY))) as store:
        store.add_note(KeptNote(t=10.0, kind="note", text="long ago", detail={"position": "riser-1"}))
        new = command.NewNotes(str(tmp_path), since=100.0)
        assert new.read() == ([], [])
        store.add_note(KeptNote(t=110.0, kind="note", text="new cable", detail={"position": "riser-1"}))
        store.add_note(KeptNote(t=111.0, kind="confirmed", text="", path="0000:00/01.1", detail={"cause": "heat"}))
        recorder = RecordingHost(RecordedHost(parse_header(HEADER)))
        (frame,) = parse_frames([recorder.take_frame(*new.read())])
        assert new.read() == ([], [])
    assert [(note.position, note.text) for note in frame.notes] == [("riser-1", "new cable")]
    assert [(cause.position, cause.cause) for cause in frame.confirmed] == [("0000:00/01.1", "heat")]


def test_without_a_daemon_there_are_no_notes(tmp_path: Path) -> None:
    assert command.NewNotes(str(tmp_path), since=0.0).read() == ([], [])


def test_a_recording_of_this_machine_can_be_judged_and_drafted(tmp_path: Path) -> None:
    out = str(tmp_path / "box.jsonl.gz")
    assert inside("record", out).status == 0
    assert inside("audit", "--from", out).status in (0, 1, 2)
    assert inside("draft", "--from", out).status == 0


def test_packed_and_plain_hold_the_same(tmp_path: Path, demo: Path) -> None:
    packed = tmp_path / "demo.jsonl.gz"
    assert inside("record", packed, "--from", demo).status == 0
    assert packed.read_bytes()[:2] == b"\x1f\x8b"  # RFC 1952, 2.3.1: ID1, ID2
    assert read(packed) == read(demo)


def test_serial_numbers_are_replaced_when_asked(tmp_path: Path, demo: Path) -> None:
    assert SERIAL in demo.read_text()
    hidden = tmp_path / "hidden.jsonl"
    assert inside("record", hidden, "--from", demo, "--hide-serials").status == 0
    assert SERIAL not in hidden.read_text()
    assert len(read(hidden)) == len(read(demo))


def test_a_hidden_recording_is_judged_as_the_original(tmp_path: Path, demo: Path) -> None:
    hidden = tmp_path / "hidden.jsonl"
    inside("record", hidden, "--from", demo, "--hide-serials")
    first, second = (inside("audit", "--from", source, "--json").json()["findings"] for source in (demo, hidden))
    assert first
    assert [(finding["rule"], finding["position"]) for finding in first] == [
        (finding["rule"], finding["position"]) for finding in second
    ]


def test_a_copy_onto_itself_leaves_it_whole(demo: Path) -> None:
    before = demo.read_bytes()
    ended = inside("record", demo, "--from", demo)
    assert ended.status == os.EX_CANTCREAT
    assert demo.read_bytes() == before
    assert "name another file" in ended.err


@pytest.mark.parametrize("content", ["hello\n", "", '{"format": "laneproof-recording", "version": 9}\n'])
def test_a_source_that_is_no_recording_leaves_what_stood_at_the_target(tmp_path: Path, content: str) -> None:
    source, target = tmp_path / "source", tmp_path / "target"
    source.write_text(content)
    target.write_text("precious")
    ended = inside("record", target, "--from", source)
    assert ended.status == os.EX_DATAERR
    assert target.read_text() == "precious"
    assert f"{source}, line 1" in ended.err


def test_a_source_that_is_cut_off_is_copied_as_far_as_it_goes(tmp_path: Path, demo: Path) -> None:
    whole = read(demo)
    cut, target = tmp_path / "cut", tmp_path / "target"
    cut.write_text("\n".join([*whole[:2], whole[2][:100]]))
    ended = inside("record", target, "--from", cut)
    assert ended.status == os.EX_DATAERR
    assert read(target) == whole[:2]
    assert "line 3" in ended.err


def test_a_file_that_cannot_grow_is_reported(tmp_path: Path) -> None:
    limit = resource.getrlimit(resource.RLIMIT_FSIZE)  # beyond it a write fails with EFBIG: setrlimit(2)
    resource.setrlimit(resource.RLIMIT_FSIZE, (4096, limit[1]))
    try:
        ended = inside("record", tmp_path / "full", "--demo")
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, limit)
    assert ended.status == os.EX_IOERR
    assert "cannot be written: file too large" in ended.err


@pytest.mark.parametrize("make", [Path.touch, lambda file: file.symlink_to("elsewhere"), Path.mkdir])
def test_what_stands_there_is_left_alone(tmp_path: Path, make: Callable[[Path], None]) -> None:
    make(tmp_path / "there")
    ended = inside("record", tmp_path / "there", "--demo")
    assert ended.status == os.EX_CANTCREAT
    assert "exists and is left alone" in ended.err
    assert [file.name for file in tmp_path.iterdir()] == ["there"]  # and nothing where a link leads


def test_an_interrupt_ends_it_with_all_frames_so_far(tmp_path: Path) -> None:
    out = tmp_path / "box.jsonl"
    # Whoever starts the tests in the background may have interrupts ignored, and a child inherits that.
    heeding = ["env", "--default-signal=INT", sys.executable, "-m", "laneproof.cli"]
    arguments = [*heeding, "record", str(out), "--passes", "1000", "--every", "60"]
    with subprocess.Popen(arguments, stderr=subprocess.PIPE) as process:
        deadline = time.monotonic() + 60
        while time.monotonic() < deadline and (not out.exists() or out.read_bytes().count(b"\n") < 2):
            time.sleep(0.05)
        process.send_signal(signal.SIGINT)
        _, err = process.communicate(timeout=30)
    assert (process.returncode, err) == (0, b"")
    assert len(list(parse_frames(read(out)[1:]))) == 1
