"""A replay runs to the recording's end at its own times, and prints a line a change."""

import re
from pathlib import Path

import pytest

from boxes.recorded_box import START, make_box, record, stand, wire
from contracts.hand_made import JsonObject, inside


@pytest.fixture
def recording(tmp_path: Path) -> str:
    """Record a link that is sound, then narrow, then narrower, then sound again, a minute apart."""
    return record(tmp_path / "box.jsonl", make_box(), stand, wire(2), wire(1), wire(None))


def replay(recording: str, *options: object) -> list[JsonObject]:
    ended = inside("replay", recording, "--json", *options)
    assert ended.status == 0
    return ended.lines()


def test_each_change_is_a_line_at_the_recordings_own_time(recording: str, build: Path) -> None:
    changes = replay(recording, "--build", build)
    narrow = [change for change in changes if change["finding"]["rule"] == "link-narrow"]
    assert [(line["t"], line["change"], line["finding"]["observed"]) for line in narrow] == [
        (START + 60, "raised", "x2"),
        (START + 120, "changed", "x1"),
        (START + 180, "cleared", "x1"),
    ]
    assert [line["finding"]["since"] for line in narrow] == ["2026-09-21T14:14:20Z"] * 3
    assert all(set(change) == {"t", "change", "finding"} for change in changes)


def test_the_same_recording_replays_the_same_twice(recording: str) -> None:
    assert replay(recording) == replay(recording)


def test_people_get_a_line_a_change_too(recording: str, build: Path) -> None:
    ended = inside("replay", recording, "--build", build)
    line = r"^2026-09-21T14:14:20Z raised +warning +link-narrow: riser-1 trained at x2"
    assert re.search(line, ended.out, re.MULTILINE)
    assert ended.status == 0
