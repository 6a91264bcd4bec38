"""Where commands get their machine from: a recording's last frame, the demo, packed files known by their content."""

import gzip
import os
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from laneproof.commands import inputs
from laneproof.commands.errors import CommandError
from laneproof.commands.inputs import load_build, make_host, open_host, open_recording
from laneproof_collectors.host import Host
from laneproof_collectors.live_host import LiveHost
from laneproof_collectors.reader_host import ReaderHost

HEADER = '{"format": "laneproof-recording", "version": 1, "host": "kelp-1"}\n'
FRAMES = '{"t": 1.0, "files": {"/proc/cmdline": "one\\n"}}\n{"t": 2.0, "files": {"/proc/cmdline": "two\\n"}}\n'


@pytest.fixture
def file(tmp_path: Path) -> Path:
    return tmp_path / "recording"


def test_a_recording_stands_at_its_last_frame(file: Path) -> None:
    file.write_text(HEADER + FRAMES)
    with open_host(str(file)) as host:
        assert host.file("/proc/cmdline") == b"two\n"
        assert host.clock().unix_seconds == 2.0


def test_a_packed_recording_is_known_by_its_content_and_not_by_its_name(file: Path) -> None:
    file.write_bytes(gzip.compress((HEADER + FRAMES).encode()))
    with open_host(str(file)) as host:
        assert host.file("/proc/cmdline") == b"two\n"


def test_the_demo_is_packaged_with_its_declaration() -> None:
    with open_host(None, demo=True) as host:
        assert host.file("/proc/sys/kernel/hostname") == b"kelp-1\n"
    build = load_build(None, demo=True)
    assert build is not None
    assert build.box.name == "kelp-1"


def test_this_machine_is_the_source_where_nothing_else_is_said() -> None:
    with open_host(None) as host:
        assert isinstance(host, LiveHost)


def test_there_may_be_no_declaration_at_the_default_path(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    place = tmp_path / "build.toml"
    monkeypatch.setattr(inputs, "DEFAULT_BUILD", str(place))
    assert load_build(None) is None
    place.write_text('schema = 1\nbox.name = "tern-2"\n')
    build = load_build(None)
    assert build is not None
    assert build.box.name == "tern-2"


def test_all_problems_of_a_declaration_are_reported_at_once(file: Path) -> None:
    file.write_text('schema = 1\n[box]\nname = 1\ncolour = "red"\n')
    with pytest.raises(CommandError) as caught:
        load_build(str(file))
    assert caught.value.status == os.EX_DATAERR
    assert [line.partition(": ")[2][:8] for line in str(caught.value).splitlines()] == ["box.name", "box.colo"]


def test_a_frame_that_is_none_is_reported_when_it_is_reached_and_those_before_it_are_given(file: Path) -> None:
    file.write_text(HEADER + FRAMES + "{oops\n")
    with open_recording(str(file)) as recording:
        host = recording.host()
        assert host.advance()
        assert host.advance()
        with pytest.raises(CommandError, match=r"line 4: .*all frames before it were read") as caught:
            host.advance()
    assert caught.value.status == os.EX_DATAERR


def test_a_packed_recording_that_is_cut_off_gives_the_frames_before_the_damage(file: Path) -> None:
    many = "".join(
        f'{{"t": {number}.0, "files": {{"/x{number}": "{os.urandom(40).hex()}"}}}}\n' for number in range(500)
    )
    file.write_bytes(gzip.compress((HEADER + many).encode())[:-200])
    read: list[float] = []
    with open_recording(str(file)) as recording, pytest.raises(CommandError, match=r"damaged .Compressed file ended"):
        read.extend(frame.t for frame in recording.frames)
    assert len(read) > 100


@pytest.mark.parametrize(
    ("limit", "most", "contents", "says"),
    [("LONGEST_LINE", 100, "x" * 10_000, "longer than"), ("MOST_VALUES", 20, "," * 30, "holds more than 20 values")],
)
def test_line_without_end_is_refused_and_never_read_whole(
    file: Path, monkeypatch: pytest.MonkeyPatch, limit: str, most: int, contents: str, says: str
) -> None:
    monkeypatch.setattr(inputs, limit, most)
    file.write_bytes(gzip.compress((HEADER + FRAMES.replace("one", contents)).encode()))
    with pytest.raises(CommandError, match=f"line 2: {says}") as caught, open_host(str(file)):
        pass
    assert caught.value.status == os.EX_DATAERR


@given(st.integers(0), st.binary(min_size=1, max_size=3), st.booleans())
def test_any_damage_to_a_packed_recording_is_one_sentence(
    tmp_path_factory: pytest.TempPathFactory,
    at: int,
    put: bytes,
    cut: bool,
) -> None:
    packed = gzip.compress((HEADER + FRAMES * 20).encode())
    at %= len(packed)
    file = tmp_path_factory.getbasetemp() / "damaged"
    file.write_bytes(packed[:at] + put + (b"" if cut else packed[at + len(put) :]))
    try:
        with open_host(str(file)) as host:
            assert host.file("/proc/cmdline")
    except CommandError as error:
        assert error.status == os.EX_DATAERR  # noqa: PT017 (it may be sound)


def test_file_without_end_is_no_declaration() -> None:
    with pytest.raises(CommandError, match="/dev/zero: longer than 1 MiB") as caught:
        load_build("/dev/zero")
    assert caught.value.status == os.EX_DATAERR


@pytest.mark.parametrize(
    ("user", "may_ask", "kind"), [(0, True, LiveHost), (1000, True, ReaderHost), (1000, False, LiveHost)]
)
def test_who_is_not_root_asks_the_reader_where_it_may(
    user: int, kind: type[Host], *, may_ask: bool, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    socket = tmp_path / "reader.sock"
    monkeypatch.setattr(inputs, "READER_SOCKET", str(socket))
    monkeypatch.setattr(os, "geteuid", lambda: user)
    if may_ask:
        socket.touch()
    with open_host(None) as host:
        assert type(host) is kind


def test_the_reader_that_was_named_is_asked_also_by_root(tmp_path: Path) -> None:
    host = make_host(str(tmp_path / "reader.sock"))
    assert isinstance(host, ReaderHost)
    host.close()
