"""All collectors of one machine: each fills its own group, and a fault in one leaves the others alone."""

import pytest

from laneproof_collectors.collection import Collector, assemble, make_collectors, read_fenced, read_snapshot
from laneproof_collectors.host import Host
from laneproof_collectors.questions import Clock
from laneproof_collectors.recorded_host import RecordedHost
from laneproof_collectors.recording import parse_header
from laneproof_collectors.snapshot import GROUPS
from laneproof_collectors.unread import Reason, Unread
from unread_answers import unread

CLOCK = Clock(unix_seconds=1_790_000_000.0, up_seconds=60.0)


def empty_host() -> Host:
    return RecordedHost(parse_header('{"format": "laneproof-recording", "version": 1}'))


def test_each_group_of_a_snapshot_has_one_collector() -> None:
    assert sorted(collector.group for collector in make_collectors()) == sorted(GROUPS)


def test_each_table_remembers_for_itself() -> None:
    first, second = make_collectors(), make_collectors()
    caches = [
        one.read.keywords.get("cache") for table in (first, second) for one in table if hasattr(one.read, "keywords")
    ]
    assert len({id(cache) for cache in caches}) == len(caches) > 0


def test_a_pass_over_a_machine_that_shows_nothing_gives_a_whole_snapshot() -> None:
    snapshot = read_snapshot(empty_host())
    assert {name for name in GROUPS if getattr(snapshot, name) is None} == set()
    assert isinstance(snapshot.functions, Unread)


def test_a_fault_of_a_collectors_code_becomes_unread_and_is_logged(caplog: pytest.LogCaptureFixture) -> None:
    def fail(_: Host) -> object:
        raise KeyError("odd")

    facts = unread(read_fenced(Collector(group="power", interval_seconds=1, read=fail), empty_host()))
    assert facts.reason is Reason.FAILED
    assert "the collector of power failed" in caplog.text
    assert "KeyError: 'odd'" in caplog.text


def test_a_group_that_was_not_read_yet_is_unread_and_not_empty() -> None:
    snapshot = assemble({"arrays": ()}, CLOCK)
    assert (snapshot.taken_at, snapshot.up_seconds, snapshot.arrays) == (1_790_000_000.0, 60.0, ())
    others = {name: getattr(snapshot, name) for name in GROUPS - {"arrays"}}
    assert all(isinstance(other, Unread) and other.reason is Reason.NOT_ASKED for other in others.values())
