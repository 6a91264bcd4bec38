"""Strange boxes: what they write is a recording, the same each time, and the oddity is in it."""

import json
from collections.abc import Callable
from dataclasses import replace
from itertools import pairwise
from typing import Any

import pytest

from laneproof_collectors.recorded_host import RecordedHost
from laneproof_collectors.recording import parse_frames, parse_header
from simulation.strange.page import write_strange
from simulation.strange.worlds import ALL, HEALTHY, StrangeScore, make_strange_world, try_strange

PACE = ((3600.0, 20.0),)


def frames(kind: str, seed: int = 0) -> list[dict[str, Any]]:
    world, _, _ = make_strange_world(kind, seed, PACE)
    return [json.loads(line) for line in world.lines()][1:]


@pytest.mark.parametrize("kind", ALL)
def test_the_same_seed_gives_the_same_recording_which_can_be_read(kind: str) -> None:
    first, again = (list(make_strange_world(kind, 1, ((14400.0, 12.0),))[0].lines()) for _ in range(2))
    assert first == again
    host = RecordedHost(parse_header(first[0]), parse_frames(iter(first[1:])))
    count = 0
    while host.advance():
        count += 1
    assert count > 40


def said(frames: list[dict[str, Any]], *words: str) -> bool:
    return all(any(word in record for frame in frames for record in frame.get("kmsg", ())) for word in words)


def read(frames: list[dict[str, Any]], name: str, value: str) -> bool:
    return any(text.strip() == value for frame in frames for path, text in frame.get("files", {}).items()
               if path.endswith(name))  # fmt: skip


SHOWN: dict[str, Callable[[list[dict[str, Any]]], bool]] = {
    "pulled-by-hand": lambda frames: said(frames, "Link Down", "Card not present", "Card present"),
    "reset-by-hand": lambda frames: said(frames, "resetting controller"),
    "suspends": lambda frames: (
        any(frame["up"] - frame.get("mono", frame["up"]) > 3600 for frame in frames) and said(frames, "suspend entry")
    ),
    "renames": lambda frames: read(frames, "/hostname", "skiff-renamed"),
    "usb-case": lambda frames: any("sdz" in str(event) for frame in frames for event in frame.get("uevents", ())),
    "disks-in-standby": lambda frames: "STANDBY" in str(frames) and "power_on_time" in str(frames),
    "drives-that-sleep": lambda frames: read(frames, "runtime_status", "suspended"),
    "floating-sensors": lambda frames: read(frames, "temp3_input", "127000"),
    "firmware-raid": lambda frames: read(frames, "md/level", "container") and read(frames, "md126/md/level", "raid1"),
    "clock-wrong-at-boot": lambda frames: max(abs(a["t"] - b["t"]) for a, b in pairwise(frames)) > 6000,
    "loud-log": lambda frames: max(len(frame.get("kmsg", ())) for frame in frames) >= 50,
    "watch-starts-again": lambda frames: (
        len(records := [r for frame in frames for r in frame.get("kmsg", ())]) > len(set(records))
    ),
    "twin-serials": lambda frames: sum("0123456789ABCDEF" in text for text in frames[0]["files"].values()) == 2,
    "advisory-reports": lambda frames: said(frames, "NonFatalErr"),
    "commands-refused": lambda frames: said(frames, "not supported"),
    "restarts-unasked": lambda frames: sum("boot_id" in frame for frame in frames) >= 9,
    "pulled-in-one-frame": lambda frames: said(frames, "Removing from iommu group", "Card not present"),
    "check-in-parts": lambda frames: read(frames, "md/sync_action", "check"),
    "rescue-boot": lambda frames: read(frames, "/hostname", "rescue"),
    "second-member-lost": lambda frames: read(frames, "md/degraded", "2"),
    "fails-on-a-platform": lambda frames: any("fc800000" in path for path in frames[0]["links"].values()),
}


@pytest.mark.parametrize("kind", SHOWN)
def test_the_oddity_is_in_the_recording(kind: str) -> None:
    assert SHOWN[kind](frames(kind))


def test_what_was_said_is_counted_by_kind() -> None:
    calm = StrangeScore(kind="suspends", seed=1, also="", healthy=True, days=30.44, frames=9, lines=3)
    loud = replace(calm, seed=2, lines=50, alarms=["day 1.0: link-slow x: y"], also="guest")
    missed = replace(calm, kind="worn-out", healthy=False, complaints=["nothing is said"])
    text = write_strange([calm, loud, missed], command="x")
    assert "| false alarms | 1: " in text
    assert "| boxes with more than 20 changed lines a month | 1 of 2 |" in text
    assert "| suspends | 2 | 61 | 1 | 0 | 26.5, 50.0 |" in text
    assert "- `suspends` 2 with guest: day 1.0: link-slow x: y" in text
    assert "| worn-out | 1 | 0 of 1 | nothing is said |" in text


@pytest.mark.parametrize("kind", HEALTHY)
def test_a_sound_box_raises_no_alarm_whatever_is_strange_about_it(kind: str) -> None:
    scored, changes = try_strange(kind, 3, ((7200.0, 10.0),))
    assert scored.frames > 40
    assert scored.lines == len(changes)
    assert scored.alarms == []
