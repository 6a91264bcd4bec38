"""The daemon from end to end: a simulated box, a real loop with real threads, a declaration in a temporary folder."""

import os
import signal
import threading
import time
from collections import Counter
from collections.abc import Callable
from dataclasses import replace
from types import SimpleNamespace

import pytest

from boxes.running_daemon import Rig
from boxes.troubled_box import SIGN
from boxes.turned_box_host import removed
from laneproof.engine import LIVE_CONFIRMATIONS, Engine, PassResult
from laneproof.findings import Change, FindingChange
from laneproof.service import daemon as daemon_module
from laneproof.service.daemon import Daemon, handle_signals
from laneproof.service.status import MOST_RECENT
from laneproof.service.systemd_notify import SystemdNotifier
from laneproof_collectors.collection import make_collectors
from laneproof_collectors.unread import Unread
from support.waiting import PATIENCE_SECONDS, wait_for


@pytest.fixture
def soon(monkeypatch: pytest.MonkeyPatch) -> None:
    """Wait a moment instead of a second before a reading is repeated."""
    monkeypatch.setattr(daemon_module, "CONFIRM_AFTER_SECONDS", 0.05)


def test_a_box_as_declared_is_judged_published_and_kept(rig: Rig) -> None:
    rig.start()
    rig.passes()
    status = rig.daemon.status
    assert rig.rules() == set()
    assert status.build is not None
    assert status.build.box.name == "tern-2"
    assert status.runs.keys() == {collector.group for collector in make_collectors()}
    assert rig.changes == []
    assert rig.writer.kept[-1].snapshot.taken_at == rig.host.now


def test_a_drive_that_is_gone_is_reported_once_and_cleared_when_it_is_back(rig: Rig) -> None:
    rig.start()
    drive, rig.box.ports[0].drive = rig.box.ports[0].drive, None
    rig.host.change()
    wait_for(lambda: ("position-empty", "riser-1") in rig.rules())
    rig.box.ports[0].drive = drive
    rig.host.change()
    wait_for(lambda: ("position-empty", "riser-1") not in rig.rules())
    rig.turns()  # a pass is published before its changes are reported
    empty = [change for change in rig.changes if change.finding.rule == "position-empty"]
    assert [change.change for change in empty] == [Change.RAISED, Change.CLEARED]
    assert list(rig.daemon.status.recent) == rig.changes[::-1]
    assert rig.daemon.status.changes == Counter(
        (str(change.change), str(change.finding.severity)) for change in rig.changes
    )


def test_the_kernels_event_starts_a_pass_at_once(slow_rig: Rig) -> None:
    rig = slow_rig.start()
    rig.box.ports[0].drive = None
    rig.host.change(removed("0000:01:00.0"))
    wait_for(lambda: ("position-empty", "riser-1") in rig.rules())  # and not in an hour
    assert "remove" in rig.writer.reported


def test_a_change_without_an_event_waits_for_the_interval(slow_rig: Rig) -> None:
    rig = slow_rig.start()
    rig.box.ports[0].drive = None
    rig.host.change()
    rig.turns()
    assert rig.rules() == set()


@pytest.mark.usefixtures("soon")
def test_a_narrow_link_is_reported_after_three_readings_and_not_before(rig: Rig) -> None:
    rig.start()
    rig.passes(1)
    rig.box.ports[1].wired_lanes = 2
    before = len(rig.writer.kept)
    rig.host.change()
    wait_for(lambda: ("link-narrow", "riser-2") in rig.rules())
    kept = rig.writer.kept[before:]
    first = next(n for n, result in enumerate(kept) if any(found.rule == "link-narrow" for found in result.findings))
    # Many passes are judged on one reading of the functions, as other collectors bring their facts.
    readings = {id(result.snapshot.functions) for result in kept[: first + 1] if _lanes(result) == 2}
    assert len(readings) == LIVE_CONFIRMATIONS["link-narrow"] == 3


def _lanes(result: PassResult) -> object:
    functions = result.snapshot.functions
    assert not isinstance(functions, Unread)
    return next(function.link.trained_lanes for function in functions if function.hops == ("01.2",))


def test_a_link_that_retrains_for_a_moment_is_no_finding(slow_rig: Rig, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(daemon_module, "CONFIRM_AFTER_SECONDS", 3600.0)  # only an event lets it be read again
    rig = slow_rig.start()
    kept = len(rig.writer.kept)
    rig.box.ports[1].wired_lanes = 1
    rig.host.change(removed("0000:02:00.0"))
    wait_for(lambda: any(_lanes(result) == 1 for result in rig.writer.kept[kept:]))
    rig.box.ports[1].wired_lanes = None
    rig.host.change(removed("0000:02:00.0"))
    wait_for(lambda: _lanes(rig.writer.kept[-1]) == 4)
    assert 1 in [_lanes(result) for result in rig.writer.kept[kept:]]
    assert [change for change in rig.changes if change.finding.rule == "link-narrow"] == []


def test_a_confirmation_is_hastened(slow_rig: Rig) -> None:
    rig = slow_rig.start()
    rig.box.ports[1].wired_lanes = 2
    rig.host.change({"action": "change", "devpath": "/devices/x", "subsystem": "pci"})
    wait_for(lambda: ("link-narrow", "riser-2") in rig.rules())  # two more readings, a second apart


def test_the_latest_changes_are_kept_and_no_more_of_them(rig: Rig) -> None:
    first = FindingChange(at=1.0, change=Change.RAISED, finding=SIGN)
    earlier = [replace(first, at=float(number)) for number in range(MOST_RECENT + 5)]
    daemon = Daemon(rig.host, rig.daemon._declaration, writer=rig.writer, notifier=SystemdNotifier({}), recent=earlier)
    assert [change.at for change in daemon.status.recent] == [
        float(MOST_RECENT + 4 - number) for number in range(MOST_RECENT)
    ]


def test_lines_of_one_report_that_come_one_by_one_are_one_event(slow_rig: Rig, monkeypatch: pytest.MonkeyPatch) -> None:
    rig = slow_rig.start()
    before, all_there = len(rig.writer.reported), threading.Event()
    gather = SimpleNamespace(monotonic=time.monotonic, sleep=lambda _: all_there.wait(PATIENCE_SECONDS))
    monkeypatch.setattr(daemon_module, "time", gather)
    lines = (
        "pcieport 0000:00:01.1: AER: Corrected error received: 0000:01:00.0",
        "nvme 0000:01:00.0: PCIe Bus Error: severity=Corrected, type=Physical Layer, (Receiver ID)",
        "nvme 0000:01:00.0:   device [1e4b:0001] error status/mask=00000001/0000e000",
        "nvme 0000:01:00.0:    [ 0] RxErr                  (First)",
    )
    for number, line in enumerate(lines):
        rig.host.change(kmsg=(f"4,{980 + number},{12_000_000 + 50 * number},-;{line}",), seconds=0.001)
    all_there.set()
    wait_for(lambda: len(rig.writer.reported) > before)
    rig.turns()
    assert rig.writer.reported[before:] == ["aer_correctable"]


def test_hangup_reads_the_declaration_again_and_term_ends_it(rig: Rig) -> None:
    before = handle_signals(rig.daemon)
    try:
        rig.start()
        read: list[float] = []
        load = rig.daemon._declaration.read
        rig.daemon._declaration.read = lambda: (read.append(time.monotonic()), load())[1]  # type: ignore[method-assign] # noted
        os.kill(os.getpid(), signal.SIGHUP)
        wait_for(lambda: read)
        os.kill(os.getpid(), signal.SIGTERM)
        rig.thread.join(PATIENCE_SECONDS)
        assert not rig.thread.is_alive()
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def test_a_collector_whose_code_fails_costs_its_own_group_only(
    rigs: Callable[..., Rig], monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    def fail(_: object) -> object:
        raise KeyError("odd")

    monkeypatch.setattr("laneproof_collectors.power_settings.read_power", fail)
    rig = rigs().start()
    result = rig.daemon.status.last_pass
    assert result is not None
    assert isinstance(result.snapshot.power, Unread)
    assert rig.daemon.status.runs["power"].failed
    assert "KeyError: 'odd'" in caplog.text  # the log of the service keeps the traceback


def test_what_the_passes_add_up_to_is_saved_and_goes_on_after_a_restart(rig: Rig) -> None:
    rig.start()
    rig.passes()
    assert rig.writer.saved["engine"]["ledger"]["stopped"] is False
    rig.end()
    state = rig.writer.saved["engine"]
    second = Engine(rig.daemon._engine.build)
    second.restore((), state)
    assert second.as_state() == rig.daemon._engine.as_state(stopped=True)
    assert len(second.past.ledger.drives.records) == 2


def test_a_thread_that_cannot_be_had_costs_its_own_facts_only_and_comes_back(
    rig: Rig, monkeypatch: pytest.MonkeyPatch
) -> None:
    start, refused = threading.Thread.start, list[threading.Thread]()

    def refuse(thread: threading.Thread) -> None:
        if thread.name == "collector-memory" and len(refused) < 3:
            refused.append(thread)
            raise RuntimeError("can't start new thread")
        start(thread)

    monkeypatch.setattr(threading.Thread, "start", refuse)
    rig.start()
    assert isinstance(rig.writer.kept[0].snapshot.memory, Unread)
    assert "can't start new thread" in rig.writer.kept[0].snapshot.memory.why
    wait_for(lambda: not isinstance(rig.writer.kept[-1].snapshot.memory, Unread))


def test_the_end_closes_all_that_was_open(rig: Rig) -> None:
    rig.start()
    rig.end()
    assert rig.writer.closed
    assert rig.host.closed
    with pytest.raises(OSError, match="Bad file descriptor"):
        os.fstat(rig.daemon._wake_read)
    rig.daemon.stop()  # a signal that comes too late hits nothing
