"""audit --follow: the same judgement pass after pass, drawn over itself or a line a change."""

import io
import json
from itertools import islice
from pathlib import Path

import pytest

from laneproof.cli import main
from laneproof.commands import follow
from laneproof.commands.follow import draw, watch
from laneproof.commands.inputs import open_host
from laneproof.engine import Engine
from laneproof_collectors.collection import Collector, make_collectors, read_fenced
from laneproof_collectors.host import Host
from simulation.box import Drive, Port, RecordingWriter, SimulatedBox


class Screen(io.StringIO):
    def isatty(self) -> bool:
        return True


@pytest.fixture
def recording(tmp_path: Path) -> str:
    """Record a box whose link falls to two lanes in its second frame."""
    box = SimulatedBox(name="tern-2", ports=[Port(hop="01.1", drive=Drive(serial="A1"))])
    box.extra_files |= {"/proc/mounts": "", "/proc/mdstat": "Personalities : \nunused devices: <none>\n"}
    writer = RecordingWriter(box)
    for number, lanes in enumerate((None, 2)):
        box.ports[0].wired_lanes = lanes
        writer.take(box, t=1_790_000_000.0 + 60 * number, up=60.0 + 60 * number)
    file = tmp_path / "box.jsonl"
    file.write_text("".join(f"{line}\n" for line in writer.lines))
    return str(file)


BUILD = """
schema = 1
[box]
name = "tern-2"
[[position]]
label = "riser-1"
path = "0000:00/01.1"
link = { generation = 4, lanes = 4 }
"""


def run(recording: str, tmp_path: Path, *words: str) -> int:
    build = tmp_path / "build.toml"
    build.write_text(BUILD)
    return main(["audit", "--follow", "--from", recording, "--build", str(build), *words])


def test_elsewhere_than_on_a_terminal_it_is_the_audit_and_then_a_line_a_change(
    recording: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(recording, tmp_path) == 1
    out = capsys.readouterr().out
    assert out.startswith("tern-2: HOLDS")
    assert [line.split()[1:4:2] for line in out.splitlines()[-2:]] == [
        ["raised", "link-narrow:"],
        ["raised", "link-retrained-down:"],
    ]
    assert "\x1b" not in out


def test_json_is_an_audit_a_line_where_something_changed(
    recording: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(recording, tmp_path, "--json") == 1
    audits = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    assert [audit["verdict"] for audit in audits] == ["holds", "differs"]


def test_on_a_terminal_each_pass_is_drawn_over_the_one_before(
    recording: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    screen = Screen()
    monkeypatch.setattr("sys.stdout", screen)
    monkeypatch.setenv("TERM", "xterm")
    assert run(recording, tmp_path) == 1
    first, *drawn = screen.getvalue().split("\x1b[H")
    assert (first, len(drawn)) == ("\x1b[2J", 2)
    assert all(picture.endswith("\x1b[J") for picture in drawn)
    assert ["DIFFERS" in picture for picture in drawn] == [False, True]


def test_what_the_screen_does_not_hold_is_counted(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("LINES", "5")
    monkeypatch.setenv("COLUMNS", "80")
    drawn = draw("1\n2\n3\n4\n", "below", is_first=False)
    assert [line.removesuffix("\x1b[K") for line in drawn.removeprefix("\x1b[H").splitlines()] == [
        "1", "2", "... and 2 lines more", "below", "\x1b[J"
    ]  # fmt: skip


def test_each_part_is_read_as_often_as_the_service_would(recording: str, monkeypatch: pytest.MonkeyPatch) -> None:
    read: list[str] = []
    clock = [0.0]

    def keep(collector: Collector, host: Host) -> object:
        read.append(collector.group)
        return read_fenced(collector, host)

    monkeypatch.setattr(follow, "read_fenced", keep)
    with open_host(recording) as host:
        passes = watch(
            Engine(None), host, now=lambda: clock[0], rest=lambda seconds: clock.append(clock.pop() + seconds)
        )
        for _ in islice(passes, 6):
            pass
    assert clock[0] == 75.0
    intervals = {collector.group: collector.interval_seconds for collector in make_collectors()}
    assert read.count("functions") == 6
    assert {group: read.count(group) for group in intervals} == {
        group: 1 + int(75 // seconds) for group, seconds in intervals.items()
    }
