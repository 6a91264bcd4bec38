"""Bad lines of a recording are reported by number, and lose nothing that stood before."""

import contextlib
import gzip
import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from laneproof_collectors import recording
from laneproof_collectors.recording import RecordingError, parse_frames, parse_header


@pytest.mark.parametrize(
    ("line", "says"),
    [
        ("", "line 1: not the header of a recording: "),
        ('{"format": "other", "version": 1}', "line 1: not the header of a recording: format: "),
        ('{"format": "laneproof-recording", "version": 9}', "line 1: not the header of a recording: version: "),
    ],
)
def test_a_header_that_is_none_is_reported(line: str, says: str) -> None:
    with pytest.raises(RecordingError) as caught:
        parse_header(line)
    assert str(caught.value).startswith(says)


def test_a_cut_off_last_line_loses_nothing_before_it() -> None:
    good = json.dumps({"t": 1, "files": {"/f": "1"}})
    frames = parse_frames([good, "\n", good[:12]])
    assert next(frames).files == {"/f": "1"}
    with pytest.raises(RecordingError, match="line 4: not the frame of a recording"):
        next(frames)


@pytest.mark.parametrize(
    ("frame", "says"),
    [
        ('{"t": 1, "filez": {}}', "filez"),
        ('{"t": 1, "binary": {"/f": "QU*JD"}}', "binary./f: .*not base64"),
        ('{"t": 1, "files": [{}]}', "files: "),
        ('{"when": 1}', "t: "),
        *((f'{{"t": {t}}}', "t: ") for t in ('"noon"', "-5", "9e15", "1e999", "NaN")),
        ("[1, 2]", ""),
        ("[" * 100_000, ""),
    ],
)
def test_what_is_wrong_in_a_frame_is_named(frame: str, says: str) -> None:
    with pytest.raises(RecordingError, match=f"line 2: not the frame of a recording: {says}"):
        next(parse_frames([frame]))


@pytest.mark.parametrize(
    ("frames", "says"),
    [
        ([{"t": at, "files": {f"/sys/{at}": "x" * 2000}} for at in range(9)], "line 6: all up to here takes more"),
        ([{"t": at, "kmsg": [""] * 20} for at in range(9)], "line 4: all up to here takes more"),
        ([{"t": at, "uevents": [{}] * 20} for at in range(9)], "line 4: all up to here takes more"),
        ([{"t": 1, "smartctl": {"sda": {"a": [[]] * 200}}}], "line 2: all up to here takes more"),
        ([{"t": 1, "files": {"/a" * 129: ""}}], "line 2: a path of 129 parts"),
        ([{"t": 1, "files": {"/a" * 100: ""}}], "line 2: all up to here takes more"),  # a hundred folders
    ],
    ids=["files", "log", "events", "values", "deep path", "folders"],
)
def test_frames_that_add_up_to_more_than_a_machine_could_hold_are_refused(
    frames: list[dict[str, object]], says: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(recording, "MOST_HELD", 10_000)
    with pytest.raises(RecordingError, match=says):
        list(parse_frames(map(json.dumps, frames)))


def test_what_is_replaced_or_of_another_boot_does_not_add_up(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(recording, "MOST_HELD", 10_000)
    frames = [{"t": at, "boot_id": f"{at // 50}", "files": {"/sys/a": "x" * 6000}} for at in range(100)]
    frames += [{"t": 100 + at, "boot_id": f"again-{at}", "kmsg": [""] * 20} for at in range(9)]
    assert len(list(parse_frames(map(json.dumps, frames)))) == len(frames)


@given(st.binary() | st.text())
def test_any_line_is_a_frame_or_a_sentence(raw: bytes | str) -> None:
    line = raw if isinstance(raw, str) else gzip.compress(raw, mtime=0).decode("latin-1")
    if not line.strip():
        return
    with contextlib.suppress(RecordingError):
        assert list(parse_frames([line]))
