"""Bad lines of a recording are reported by number, and lose nothing that stood before."""

import contextlib
import gzip
import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

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


def test_an_unknown_key_in_a_frame_is_named() -> None:
    with pytest.raises(RecordingError, match="line 2: not the frame of a recording: filez"):
        next(parse_frames(['{"t": 1, "filez": {}}']))


@given(st.binary() | st.text())
def test_any_line_is_a_frame_or_a_sentence(raw: bytes | str) -> None:
    line = raw if isinstance(raw, str) else gzip.compress(raw).decode("latin-1")
    if not line.strip():
        return
    with contextlib.suppress(RecordingError):
        assert list(parse_frames([line]))
