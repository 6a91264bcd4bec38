"""audit --follow: the same judgement pass after pass, drawn over itself or a line a change."""

from itertools import islice
from pathlib import Path

import pytest

from boxes.recorded_box import BUILD, make_box, record, stand, wire
from contracts.hand_made import Ended, inside
from laneproof.commands import follow
from laneproof.commands.follow import draw, watch
from laneproof.commands.inputs import open_host
from laneproof.engine import Engine
from laneproof_collectors.collection import Collector, make_collectors, read_fenced
from laneproof_collectors.host import Host
from support.terminal import Terminal


@pytest.fixture
def recording(tmp_path: Path) -> str:
    """Record a box whose link falls to two lanes in its second frame."""
    return record(tmp_path / "box.jsonl", make_box(), stand, wire(2))


def follow_it(recording: str, *words: str) -> Ended:
    build = Path(recording).with_name("build.toml")
    build.write_text(BUILD)
    return inside("audit", "--follow", "--from", recording, "--build", build, *words)


def test_elsewhere_than_on_a_terminal_it_is_the_audit_and_then_a_line_a_change(recording: str) -> None:
    ended = follow_it(recording)
    assert ended.status == 1
    assert ended.out.startswith("tern-2: HOLDS")
    assert [line.split()[1:4:2] for line in ended.out.splitlines()[-2:]] == [
        ["raised", "link-narrow:"],
        ["raised", "link-retrained-down:"],
    ]
    assert "\x1b" not in ended.out


def test_json_is_an_audit_a_line_where_something_changed(recording: str) -> None:
    ended = follow_it(recording, "--json")
    assert (ended.status, [audit["verdict"] for audit in ended.lines()]) == (1, ["holds", "differs"])


def test_on_a_terminal_each_pass_is_drawn_over_the_one_before(recording: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("io.StringIO", Terminal)
    monkeypatch.setenv("TERM", "xterm")
    ended = follow_it(recording)
    assert ended.status == 1
    first, *drawn = ended.out.split("\x1b[H")
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
