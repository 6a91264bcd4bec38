"""A replay runs to the recording's end at its own times, and prints a line a change."""

import json
import re
from pathlib import Path
from typing import Any

import pytest

from laneproof.cli import main
from simulation.box import Drive, Port, RecordingWriter, SimulatedBox

START = 1_790_000_000.0
BUILD = """
schema = 1
[box]
name = "tern-2"
[[position]]
label = "riser-1"
path = "0000:00/01.1"
link = { generation = 4, lanes = 4 }
"""


@pytest.fixture
def recording(tmp_path: Path) -> str:
    """Record a link that is sound, then narrow, then narrower, then sound again, a minute apart."""
    box = SimulatedBox(name="tern-2", ports=[Port(hop="01.1", drive=Drive(serial="A1"))])
    box.extra_files |= {"/proc/mounts": "", "/proc/mdstat": "Personalities : \nunused devices: <none>\n"}
    writer = RecordingWriter(box)
    for number, lanes in enumerate((None, 2, 1, None)):
        box.ports[0].wired_lanes = lanes
        writer.take(box, t=START + 60.0 * number, up=60.0 * (1 + number))
    file = tmp_path / "box.jsonl"
    file.write_text("".join(f"{line}\n" for line in writer.lines))
    (tmp_path / "build.toml").write_text(BUILD)
    return str(file)


def replay(capsys: pytest.CaptureFixture[str], recording: str, *options: str) -> list[dict[str, Any]]:
    assert main(["replay", recording, "--json", *options]) == 0
    return [json.loads(line) for line in capsys.readouterr().out.splitlines()]


def test_each_change_is_a_line_at_the_recordings_own_time(
    recording: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    changes = replay(capsys, recording, "--build", str(tmp_path / "build.toml"))
    narrow = [change for change in changes if change["finding"]["rule"] == "link-narrow"]
    assert [(line["t"], line["change"], line["finding"]["observed"]) for line in narrow] == [
        (START + 60, "raised", "x2"),
        (START + 120, "changed", "x1"),
        (START + 180, "cleared", "x1"),
    ]
    assert all(set(change) == {"t", "change", "finding"} for change in changes)


def test_a_finding_keeps_the_time_it_was_first_raised(
    recording: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    changes = replay(capsys, recording, "--build", str(tmp_path / "build.toml"))
    narrow = [change["finding"]["since"] for change in changes if change["finding"]["rule"] == "link-narrow"]
    assert narrow == ["2026-09-21T14:14:20Z"] * 3


def test_the_same_recording_replays_the_same_twice(recording: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert replay(capsys, recording) == replay(capsys, recording)


def test_people_get_a_line_a_change_too(recording: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["replay", recording, "--build", str(tmp_path / "build.toml")]) == 0
    out = capsys.readouterr().out
    assert re.search(r"^2026-09-21T14:14:20Z raised +warning +link-narrow: riser-1 trained at x2", out, re.MULTILINE)
