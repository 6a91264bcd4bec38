"""The loop over a recording: each frame at its own time, kept as the daemon keeps a pass."""

from contextlib import closing

import pytest

from boxes.passes import events_of
from boxes.recorded_box import BUILD
from laneproof.commands.errors import CommandError
from laneproof.commands.recorded_passes import judge_frames, keep_frame
from laneproof.declaration.file import parse_build
from laneproof.engine import Engine
from laneproof.history.store import Store
from laneproof_collectors.recorded_host import RecordedHost
from laneproof_collectors.recording import RecordingError, parse_frames, parse_header

HEADER = '{"format": "laneproof-recording", "version": 1, "host": "kelp-1", "kernel": "6.12", "boot_id": "b1"}'
DOWN = "3,100,60000000,-;nvme nvme0: controller is down; will reset: CSTS=0xffffffff, PCI_STATUS=0x10"


def host(*frames: str) -> RecordedHost:
    return RecordedHost(parse_header(HEADER), parse_frames(iter(frames)))


def test_each_frame_is_judged_at_its_own_time_with_its_own_events() -> None:
    frames = host(f'{{"t": 1790000000, "up": 70, "kmsg": ["{DOWN}"]}}', '{"t": 1790000060, "up": 130}')
    first, second = judge_frames(frames, Engine(None), "rec.jsonl")
    assert [frame.result.snapshot.taken_at for frame in (first, second)] == [1790000000, 1790000060]
    assert [frame.clock.up_seconds for frame in (first, second)] == [70, 130]
    with closing(Store.open(":memory:")) as store:
        keep_frame(first, store)
        keep_frame(second, store)
        # The record's own stamp, 60 s after the boot: 10 s before the frame that holds it.
        assert [(event.kind, event.t) for event in events_of(store, "controller_down")] == [
            ("controller_down", 1789999990)
        ]


def test_a_recording_without_a_frame_is_refused() -> None:
    with pytest.raises(CommandError, match=r"rec\.jsonl: the recording has no frame") as error:
        list(judge_frames(host(), Engine(None), "rec.jsonl"))
    assert error.value.status == 65


def test_what_the_owner_wrote_is_known_to_the_engine_and_kept() -> None:
    build = parse_build(BUILD, name="build.toml")
    frames = host(
        '{"t": 1790000000, "up": 70}',
        '{"t": 1790000060, "up": 130, "notes": [{"position": "riser-1", "text": "new cable"}, {"text": "new room"}]}',
        '{"t": 1790000120, "up": 190, "confirmed": [{"position": "riser-1", "cause": "signal-path"}]}',
    )
    engine = Engine(build)
    with closing(Store.open(":memory:")) as store:
        for frame in judge_frames(frames, engine, "rec.jsonl"):
            keep_frame(frame, store)
        kept = [(note.t, note.kind, note.path, note.text) for note in store.read_notes()]
    assert kept == [
        (1790000060, "note", "0000:00/01.1", "new cable"),
        (1790000060, "note", "", "new room"),
        (1790000120, "confirmed", "0000:00/01.1", "riser-1 was signal-path"),
    ]
    assert [(note.position, note.what) for note in engine.past.notes] == [("riser-1", "adapter"), (None, "other")]
    (confirmed,) = engine.past.confirmed
    assert (confirmed.cause, confirmed.episode) == ("signal-path", None)


@pytest.mark.parametrize(
    "wrong", ['"notes": [{"position": "riser-1"}]', '"confirmed": [{"cause": "heat"}]', '"notes": "new cable"']
)
def test_a_frame_with_half_a_note_is_none(wrong: str) -> None:
    with pytest.raises(RecordingError, match="line 2"):
        list(judge_frames(host(f'{{"t": 1790000000, {wrong}}}'), Engine(None), "rec.jsonl"))
