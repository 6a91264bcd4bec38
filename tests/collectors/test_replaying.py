"""Passes over a recording that read only what changed give the facts that reading everything gives."""

import json
from dataclasses import replace

import pytest

from laneproof_collectors.collection import Collector, make_collectors, read_snapshot
from laneproof_collectors.host import Host
from laneproof_collectors.recorded_host import RecordedHost
from laneproof_collectors.recording import parse_frames, parse_header
from laneproof_collectors.replaying import WATCHED, ReplayReader
from simulation.families import REPORT
from simulation.plots import KINDS
from simulation.worlds import make_world

HEADER = '{"format": "laneproof-recording", "version": 1, "host": "kelp-1"}'


def host_of(*frames: object) -> RecordedHost:
    lines = [frame if isinstance(frame, str) else json.dumps(frame) for frame in frames]
    return RecordedHost(parse_header(HEADER), parse_frames(iter(lines)))


def reader_of(host: RecordedHost, path: str) -> tuple[ReplayReader, list[object]]:
    """Make a reader with one collector that asks for one file, and a list of what it was given."""
    given: list[object] = []

    def read(asked: Host) -> object:
        given.append(asked.file(path))
        return given[-1]

    return ReplayReader(host, (Collector(group="power", interval_seconds=1, read=read),)), given


@pytest.mark.parametrize("kind", KINDS)
def test_the_facts_are_those_of_a_full_reading(kind: str) -> None:
    lines = list(make_world(kind, 3, replace(REPORT, pace=((7200.0, 25.0),))).lines())
    twice = [RecordedHost(parse_header(lines[0]), parse_frames(iter(lines[1:]))) for _ in range(2)]
    reader, collectors = ReplayReader(twice[0]), make_collectors()
    passes = 0
    while twice[0].advance() and twice[1].advance() and passes < 250:
        assert reader.read() == read_snapshot(twice[1], collectors)
        passes += 1
    assert passes > 100


def test_what_did_not_change_is_not_read_again() -> None:
    host = host_of(
        {"t": 1, "files": {"/a": "1", "/b": "1"}}, {"t": 2, "files": {"/b": "2"}}, {"t": 3, "files": {"/a": "3"}}
    )
    reader, given = reader_of(host, "/a")
    seen = []
    while host.advance():
        seen.append((reader.read().power, set(reader.read_again)))
    assert given == [b"1", b"3"]
    assert seen == [(b"1", {"power"}), (b"1", set()), (b"3", {"power"})]


@pytest.mark.parametrize("group", WATCHED)
def test_what_is_watched_counts_as_read_again_though_nothing_moved(group: str) -> None:
    host = host_of({"t": 1}, {"t": 151}, {"t": 301}, {"t": 600})
    part = object()
    reader = ReplayReader(host, (Collector(group=group, interval_seconds=1, read=lambda _: (part,)),))
    seen = []
    while host.advance():
        seen.append((getattr(reader.read(), group), set(reader.read_again)))
    assert seen == [((part,), {group}), ((part,), set()), ((part,), {group}), ((part,), set())]


@pytest.mark.parametrize(
    "change",
    [
        {"files": {"/a": "2"}},
        {"binary": {"/a": "Mg=="}},
        {"errors": {"/a": "EIO"}},
        {"gone": ["/a"]},
        {"files": {"/new": "1"}},
        {"dirs": ["/folder"]},
        {"links": {"/a": "b"}},
        {"boot_id": "another"},
    ],
)
def test_each_change_that_may_matter_is_read_again(change: dict[str, object]) -> None:
    host = host_of({"t": 1, "boot_id": "one", "files": {"/a": "1", "/b": "1"}}, {"t": 2, **change})
    reader, given = reader_of(host, "/a")
    while host.advance():
        reader.read()
    assert len(given) == 2


def test_frames_passed_over_count_too() -> None:
    host = host_of({"t": 1, "files": {"/a": "1"}}, {"t": 2, "files": {"/a": "2"}}, {"t": 3})
    reader, given = reader_of(host, "/a")
    host.advance()
    reader.read()
    host.advance()
    host.advance()
    reader.read()
    assert given == [b"1", b"2"]


def test_a_file_read_through_a_link_changes_by_its_own_name() -> None:
    host = host_of(
        {"t": 1, "links": {"/class/x": "../devices/x"}, "files": {"/devices/x/size": "1"}},
        {"t": 2, "files": {"/devices/x/size": "2"}},
    )
    reader, given = reader_of(host, "/class/x/size")
    while host.advance():
        reader.read()
    assert given == [b"1", b"2"]


def test_who_asks_for_the_time_is_always_read() -> None:
    host = host_of({"t": 1}, {"t": 2})
    reader = ReplayReader(host, (Collector(group="power", interval_seconds=1, read=lambda asked: asked.clock()),))
    seen = []
    while host.advance():
        seen.append(reader.read().power)
    assert seen[0] != seen[1]
