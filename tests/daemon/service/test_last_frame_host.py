"""A recording at its end answers as it stood, and waits as a machine does."""

import os
import time

from laneproof.service.last_frame_host import LastFrameHost
from laneproof_collectors.recorded_host import RecordedHost
from laneproof_collectors.recording import parse_frames, parse_header

HEADER = '{"format": "laneproof-recording", "version": 1, "host": "kelp-1"}'
FRAME = '{"t": 5.0, "up": 1.0, "files": {"/proc/cmdline": "quiet\\n"}}'


def make() -> LastFrameHost:
    recorded = RecordedHost(parse_header(HEADER), parse_frames([FRAME]))
    recorded.advance()
    return LastFrameHost(recorded)


def test_it_answers_as_the_recording_does() -> None:
    host = make()
    assert host.file("/proc/cmdline") == b"quiet\n"
    assert host.clock().unix_seconds == 5.0
    assert host.uevents() == ()


def test_it_waits_until_it_is_woken_or_the_time_is_over() -> None:
    host = make()
    read, write = os.pipe()
    began = time.monotonic()
    assert not host.wait(0.05, read)
    assert time.monotonic() - began >= 0.05
    os.write(write, b"!")
    assert host.wait(30.0, read)
    assert not host.wait(-1.0)
    os.close(read)
    os.close(write)
