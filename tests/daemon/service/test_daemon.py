"""The daemon from end to end: a simulated box, a real loop with real threads, a declaration in a temporary folder."""

import contextlib
import json
import os
import re
import signal
import socket
import threading
import time
import urllib.request
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import replace
from functools import partial
from pathlib import Path
from types import MappingProxyType, SimpleNamespace
from typing import Any, TypeVar

import pytest

from boxes.troubled_box import SIGN
from boxes.turned_box_host import START, TurnedBoxHost, removed
from laneproof.declaration.build import Build
from laneproof.declaration.file import parse_build
from laneproof.engine import LIVE_CONFIRMATIONS, Engine, PassResult
from laneproof.findings import Change, FindingChange
from laneproof.history.events import RECORDS_LOST, Event
from laneproof.history.notes import KeptNote
from laneproof.service import daemon as daemon_module
from laneproof.service import schedule
from laneproof.service.background_writer import BackgroundWriter
from laneproof.service.daemon import Daemon, handle_signals
from laneproof.service.declaration_file import DeclarationFile
from laneproof.service.evidence_ring import EvidenceRing
from laneproof.service.http import Pages
from laneproof.service.listener import Server
from laneproof.service.owner_notes import Inbox
from laneproof.service.status import MOST_RECENT
from laneproof.service.systemd_notify import SystemdNotifier
from laneproof_collectors.collection import make_collectors
from laneproof_collectors.hotplug import DeviceEvent
from laneproof_collectors.kernel_log.reading import KernelEvents, TimedKernelEvent
from laneproof_collectors.questions import Clock
from laneproof_collectors.unread import Reason, Unread
from simulation.box import Drive, Port, SimulatedBox

_T = TypeVar("_T")
PATIENCE_SECONDS = 30.0
DROPPED = "4,900,10000000,-;nvme nvme0: controller is down; will reset: CSTS=0xffffffff, PCI_STATUS=0xffff"
BUILD = """
schema = 1
[box]
name = "tern-2"
[[position]]
label = "riser-1"
path = "0000:00/01.1"
link = { generation = 4, lanes = 4 }
occupant = { kind = "nvme", serial = "A1" }
[[position]]
label = "riser-2"
path = "0000:00/01.2"
link = { generation = 4, lanes = 4 }
occupant = { kind = "nvme", serial = "A2" }
"""


def wait_for(what: Callable[[], _T]) -> _T:
    """Give the first true value of a condition."""
    end = time.monotonic() + PATIENCE_SECONDS
    while time.monotonic() < end:
        if value := what():
            return value
        time.sleep(0.01)
    raise AssertionError(f"not within {PATIENCE_SECONDS:g} s")


class MemoryWriter(BackgroundWriter):
    """Keeps passes in a list."""

    def __init__(self) -> None:
        self.kept: list[PassResult] = []
        self.told: list[str] = []
        self.paths: list[Mapping[str, str]] = []
        self.happened: list[Event] = []
        self.saved: dict[str, Any] = {}
        self.notes: list[KeptNote] = []
        self.closed = False

    def add_pass(self, result: PassResult) -> None:
        self.kept.append(result)

    def add_kernel_events(
        self, reports: Iterable[TimedKernelEvent], clock: Clock, paths: Mapping[str, str] = MappingProxyType({})
    ) -> None:
        self.told += [report.event.kind for report in reports]
        self.paths.append(paths)
        assert clock.unix_seconds > 0
        assert self.kept  # before the first pass nobody knows where a name leads

    def add_events(self, events: Iterable[Event]) -> None:
        self.happened += events

    def add_device_events(self, told: Iterable[DeviceEvent], clock: Clock) -> None:
        self.told += [event.action for event in told]
        assert clock.unix_seconds > 0

    def save_state(self, name: str, value: Mapping[str, Any]) -> None:
        self.saved[name] = json.loads(json.dumps(value))

    def take_notes(self, inbox: Inbox) -> tuple[KeptNote, ...]:
        taken = inbox.read() or ()
        self.notes += taken
        inbox.clear()
        return taken

    def reconcile(self) -> None:
        raise AssertionError("nothing was left out")

    def close(self) -> None:
        self.closed = True


class Rig:
    """A daemon that runs in a thread, with everything around it at hand."""

    def __init__(
        self,
        folder: Path,
        *,
        interval: float = 0.1,
        notifier: SystemdNotifier | None = None,
        engine: Engine | None = None,
        boot: int = 1,
    ) -> None:
        self.file = folder / "build.toml"
        self.file.write_text(BUILD)
        box = SimulatedBox(
            name="tern-2",
            boot_number=boot,
            ports=[Port(hop="01.1", drive=Drive(serial="A1")), Port(hop="01.2", drive=Drive(serial="A2"))],
            extra_files={"/proc/self/mountinfo": "", "/proc/mdstat": "Personalities : \nunused devices: <none>\n"},
        )
        self.box, self.host, self.writer = box, TurnedBoxHost(box), MemoryWriter()
        self.changes: list[FindingChange] = []
        self.evidence = folder / "evidence"
        self.daemon = Daemon(
            self.host,
            DeclarationFile(str(self.file), self._load),
            writer=self.writer,
            engine=engine or Engine(None, confirmations=LIVE_CONFIRMATIONS),
            collectors=tuple(replace(collector, interval_seconds=interval) for collector in make_collectors()),
            notifier=notifier or SystemdNotifier({}),
            report=self.changes.append,
            take_notes=partial(self.writer.take_notes, Inbox(folder)),
            ring=EvidenceRing(str(self.evidence)),
        )
        self.thread = threading.Thread(target=self.daemon.run, daemon=True)
        self.has_ended = False

    @staticmethod
    def _load(path: str) -> tuple[str, Build] | None:
        file = Path(path)
        return (file.read_text(), parse_build(file.read_text(), name=path)) if file.exists() else None

    def start(self) -> "Rig":
        self.thread.start()
        wait_for(lambda: self.writer.kept)  # published a moment before
        return self

    def end(self) -> None:
        if self.has_ended:
            return
        self.has_ended = True
        self.host.let_go()
        if self.thread.is_alive():
            self.daemon.stop()
            self.thread.join(PATIENCE_SECONDS)
        assert not self.thread.is_alive()
        self.daemon.close()

    def rules(self) -> set[tuple[str, str | None]]:
        """Give rule and position of what stands."""
        result = self.daemon.status.last_pass
        return {(finding.rule, finding.position) for finding in result.findings} if result else set()

    def passes(self, more: int = 3) -> None:
        """Wait for some more judged passes."""
        wanted = len(self.writer.kept) + more
        wait_for(lambda: len(self.writer.kept) >= wanted)

    def turns(self, more: int = 2) -> None:
        """Wait for some more turns of the loop, whether it reads anything or not; the first may have begun already."""
        for _ in range(more):
            before = self.daemon.status.alive_at
            self.daemon._wake()
            wait_for(lambda before=before: self.daemon.status.alive_at != before)


@pytest.fixture
def rigs(tmp_path: Path) -> Iterator[Callable[..., Rig]]:
    """Make daemons on one folder; what still runs at the test's end is ended."""
    made: list[Rig] = []

    def make(**facts: Any) -> Rig:
        made.append(Rig(tmp_path, **facts))
        return made[-1]

    yield make
    for rig in made:
        rig.end()


@pytest.fixture
def rig(rigs: Callable[..., Rig]) -> Rig:
    return rigs()


@pytest.fixture
def slow_rig(rigs: Callable[..., Rig]) -> Rig:
    """Make one that reads once an hour, and what an event hastens."""
    return rigs(interval=3600.0)


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


def test_a_drive_that_is_gone_is_told_once_and_cleared_when_it_is_back(rig: Rig) -> None:
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


def test_a_change_without_an_event_waits_for_the_interval(slow_rig: Rig) -> None:
    rig = slow_rig.start()
    rig.box.ports[0].drive = None
    rig.host.change()
    rig.turns()
    assert rig.rules() == set()


@pytest.mark.usefixtures("soon")
def test_a_narrow_link_is_told_after_three_readings_and_not_before(rig: Rig) -> None:
    rig.start()
    rig.passes(1)
    rig.box.ports[1].wired_lanes = 2
    before = len(rig.writer.kept)
    rig.host.change()
    wait_for(lambda: ("link-narrow", "riser-2") in rig.rules())
    kept = rig.writer.kept[before:]
    told = next(n for n, result in enumerate(kept) if any(found.rule == "link-narrow" for found in result.findings))
    # Many passes are judged on one reading of the functions, as other collectors bring their facts.
    readings = {id(result.snapshot.functions) for result in kept[: told + 1] if _lanes(result) == 2}
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


# --- what the ring of the kernel's log did not give -------------------------------------------------------------------


def _journal(rig: Rig, up: float, message: str = DROPPED.partition(";")[2]) -> str:
    return json.dumps(
        {
            "_TRANSPORT": "kernel",
            "MESSAGE": message,
            "PRIORITY": "4",
            "SYSLOG_FACILITY": "0",
            "_SOURCE_MONOTONIC_TIMESTAMP": str(round(up * 1e6)),
            "__REALTIME_TIMESTAMP": str(round(START * 1e6)),
            "_BOOT_ID": rig.box.boot_id.replace("-", ""),
        }
    )


def test_what_a_boot_said_last_before_it_hung_is_read_back_and_judged_at_the_next_start(
    rigs: Callable[..., Rig],
) -> None:
    rig = rigs().start()
    rig.passes()
    last_words = _journal(rig, rig.host.now - START + 30.0)
    rig.end()
    again = Engine(None, confirmations=LIVE_CONFIRMATIONS)
    again.restore((), rig.writer.saved["engine"])
    second = rigs(engine=again, boot=2)
    second.host.journals[-1] = (last_words,)
    second.host.booted_at = START + 900.0
    second.host.change(seconds=1000.0)
    second.start()
    assert ("drops-off-bus", "riser-1") in second.rules()
    assert second.daemon.status.disconnects["0000:00/01.1"] == 1
    (episode,) = second.writer.kept[0].episodes
    assert (episode.serial, episode.boot) == ("A1", 1)
    assert wait_for(lambda: second.writer.told)[0] == "controller_down"
    assert second.writer.paths[0]["nvme0"] == "0000:00/01.1"


def test_records_that_were_overwritten_are_counted_told_and_read_back(rig: Rig) -> None:
    rig.start()
    rig.passes()
    rig.host.journals[0] = (_journal(rig, rig.host.now - START + 0.5),)
    rig.host.lost = 7
    rig.host.change(kmsg=("6,950,11000000,-;usb 1-1: new high-speed USB device number 5 using xhci_hcd",))
    wait_for(lambda: ("drops-off-bus", "riser-1") in rig.rules())
    assert rig.daemon.status.lost_records == 7
    (told,) = wait_for(lambda: rig.writer.happened)
    assert told.kind == RECORDS_LOST
    assert "7 records" in told.text
    assert "events among them that the journal had: 1" in told.text


@pytest.mark.parametrize("has_journal", [True, False])
def test_what_was_overwritten_is_lost_to_the_judgement_only_where_the_journal_cannot_be_read(
    rig: Rig, *, has_journal: bool
) -> None:
    if has_journal:
        rig.host.journals[0] = (_journal(rig, 1.0, "usb 1-1: USB disconnect, device number 5"),)
    rig.host.lost = 4000
    rig.host.change(kmsg=("6,950,11000000,-;usb 1-1: new high-speed USB device number 5 using xhci_hcd",))
    rig.daemon._read_events()
    wait_for(rig.daemon._collect_journal)
    kernel, _ = rig.daemon._pending.drain()
    assert isinstance(kernel, KernelEvents)
    assert kernel.lost == (0 if has_journal else 4000)


def test_lines_of_one_report_that_come_one_by_one_are_one_event(slow_rig: Rig, monkeypatch: pytest.MonkeyPatch) -> None:
    rig = slow_rig.start()
    told, all_there = len(rig.writer.told), threading.Event()
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
    wait_for(lambda: len(rig.writer.told) > told)
    rig.turns()
    assert rig.writer.told[told:] == ["aer_correctable"]


def test_where_the_journal_cannot_be_read_either_the_loss_is_told_with_the_reason(rig: Rig) -> None:
    rig.start()
    rig.passes()
    rig.host.lost = 3
    rig.host.change(kmsg=("6,950,11000000,-;usb 1-1: new high-speed USB device number 5 using xhci_hcd",))
    (told,) = wait_for(lambda: rig.writer.happened)
    assert "the journal could not be read: " in told.text


# --- evidence ---------------------------------------------------------------------------------------------------------


def _evidence(rig: Rig) -> list[dict[str, Any]]:
    if not rig.evidence.exists():
        return []
    return [json.loads(line) for file in sorted(rig.evidence.iterdir()) for line in file.read_text().splitlines()]


def test_a_drop_leaves_what_held_before_it_what_was_told_and_its_episode(rig: Rig) -> None:
    rig.start()
    rig.passes()
    assert _evidence(rig) == []
    rig.box.ports[0].drive = None
    rig.host.change(removed("0000:01:00.0"), kmsg=(DROPPED,))
    wait_for(lambda: any(line["what"] == "episode" for line in _evidence(rig)))
    lines = _evidence(rig)
    order = [line["what"] for line in lines]
    assert order.index("held") < order.index("events") < order.index("episode")
    (held,) = (line for line in lines if line["what"] == "held")
    assert {reading["drive"] for reading in held["readings"] if reading["end"] == "drive"} == {"A1", "A2"}
    told = lines[order.index("events")]
    assert [event["message"] for event in told["kernel"]] == [DROPPED.partition(";")[2]]
    assert [event["action"] for event in told["devices"]] == ["remove"]
    episode = lines[order.index("episode")]
    assert (episode["position"], episode["drive"], episode["episode"]) == ("riser-1", "A1", 1)
    assert wait_for(lambda: rig.daemon.status.ring and rig.daemon.status.ring.written_bytes)


def test_evidence_that_would_go_with_a_watched_drive_is_said_at_the_start(
    rig: Rig, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    asked: list[str] = []
    monkeypatch.setattr(daemon_module, "find_carrying_drives", lambda folder, *_: asked.append(folder) or ("riser-2",))
    rig.start()
    wait_for(lambda: "lies on riser-2 and goes with it" in caplog.text)
    assert asked == [os.path.realpath(rig.evidence)]


def test_evidence_is_written_while_the_drives_answer_nothing(rig: Rig) -> None:
    rig.start()
    rig.passes()
    rig.host.hold("/")
    rig.host.change(kmsg=(DROPPED,))
    wait_for(lambda: any(line["what"] == "events" for line in _evidence(rig)))
    assert "held" in [line["what"] for line in _evidence(rig)]


def test_slow_clients_and_many_requests_leave_the_readings_alone(rig: Rig) -> None:
    """The figures with a thousand of them are taken by benchmarks.listener_load."""
    rig.start()
    before = {group: run.failed for group, run in rig.daemon.status.runs.items()}
    server = Server("127.0.0.1", 0, Pages(lambda: rig.daemon.status))
    server.start()
    with contextlib.ExitStack() as opened:
        opened.callback(server.close)
        for _ in range(100):
            slow = opened.enter_context(socket.create_connection(("127.0.0.1", server.port), timeout=10))
            slow.sendall(b"GET / HTTP/1.1\r\n")
        for _ in range(100):
            with urllib.request.urlopen(f"http://127.0.0.1:{server.port}/metrics", timeout=10) as answer:
                assert answer.status == 200
        rig.passes()
    assert {group: run.failed for group, run in rig.daemon.status.runs.items()} == before
    assert rig.daemon.status.overdue == {}


# --- the declaration --------------------------------------------------------------------------------------------------


def test_a_changed_declaration_is_in_force_at_the_next_turn(rig: Rig) -> None:
    rig.start()
    rig.file.write_text(BUILD.replace('serial = "A2"', 'serial = "B7"'))
    wait_for(lambda: ("occupant-differs", "riser-2") in rig.rules())
    rig.file.write_text(BUILD)
    wait_for(lambda: rig.rules() == set())


@pytest.mark.parametrize("wrong", ["schema = 1\n[box]\nnaem = 'x'\n", "= = =", "schema = 2\n", "schema = 1\nbox = 1\n"])
def test_a_wrong_declaration_leaves_the_old_one_in_force_and_is_told(
    rig: Rig, wrong: str, caplog: pytest.LogCaptureFixture
) -> None:
    rig.start()
    before = rig.daemon.status.build
    rig.file.write_text(wrong)
    wait_for(lambda: rig.daemon.status.build_problem)
    rig.passes()
    assert rig.daemon.status.build is before
    assert rig.daemon._engine.build is before
    assert rig.rules() == {("declaration-not-in-force", None)}
    assert str(rig.file) in str(rig.daemon.status.build_problem)
    assert "the last good one stays in force" in caplog.text
    assert (
        len([record for record in caplog.records if "was not loaded" in record.message]) == 1
    )  # once, not at each turn
    rig.file.write_text(BUILD)
    wait_for(lambda: rig.daemon.status.build_problem is None)


def test_a_declaration_that_is_gone_leaves_the_old_one_in_force(rig: Rig) -> None:
    rig.box.ports[0].wired_lanes = 2
    rig.host.change()
    rig.start()
    wait_for(lambda: ("link-narrow", "riser-1") in rig.rules())
    rig.file.unlink()
    problem = wait_for(lambda: rig.daemon.status.build_problem)
    assert str(problem).endswith("build.toml is gone")
    rig.passes()
    assert ("link-narrow", "riser-1") in rig.rules()
    assert [change.change for change in rig.changes if change.finding.rule == "link-narrow"] == [Change.RAISED]


def test_a_wrong_declaration_at_the_start_is_told_and_what_needs_none_is_judged(rig: Rig) -> None:
    rig.file.write_text("schema = 1\n")
    rig.start()
    assert rig.daemon.status.build is None
    assert "box" in str(rig.daemon.status.build_problem)


def test_without_a_declaration_it_runs_and_takes_one_up_when_it_comes(rig: Rig) -> None:
    rig.file.unlink()
    rig.start()
    assert (rig.daemon.status.build, rig.daemon.status.build_problem) == (None, None)
    rig.file.write_text(BUILD.replace('serial = "A2"', 'serial = "B7"'))
    wait_for(lambda: ("occupant-differs", "riser-2") in rig.rules())


def test_hangup_reads_the_declaration_again_and_term_ends_it(rig: Rig) -> None:
    before = handle_signals(rig.daemon)
    try:
        rig.start()
        read: list[float] = []
        load = rig.daemon._declaration.read
        rig.daemon._declaration.read = lambda: (read.append(time.monotonic()), load())[1]  # type: ignore[method-assign]
        os.kill(os.getpid(), signal.SIGHUP)
        wait_for(lambda: read)
        os.kill(os.getpid(), signal.SIGTERM)
        rig.thread.join(PATIENCE_SECONDS)
        assert not rig.thread.is_alive()
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)  # type: ignore[arg-type]


# --- a collector that hangs -------------------------------------------------------------------------------------------


@pytest.fixture
def impatient(monkeypatch: pytest.MonkeyPatch) -> None:
    """Call a collector stuck after a moment."""
    monkeypatch.setattr(schedule, "DEADLINE_SECONDS", 0.3)
    monkeypatch.setattr(daemon_module, "LONGEST_WAIT_SECONDS", 0.1)


@pytest.mark.usefixtures("impatient")
def test_one_stuck_collector_is_overdue_and_the_others_go_on(rig: Rig, caplog: pytest.LogCaptureFixture) -> None:
    rig.start()
    rig.host.hold("/sys/class/hwmon")
    wait_for(lambda: "thermal" in rig.daemon.status.overdue)
    thermal = rig.daemon.status.last_pass
    wait_for(lambda: rig.daemon.status.last_pass is not thermal)
    result = rig.daemon.status.last_pass
    assert result is not None
    assert isinstance(result.snapshot.thermal, Unread)
    assert result.snapshot.thermal.reason is Reason.TIMED_OUT
    rig.box.ports[0].drive = None
    rig.host.change()
    wait_for(lambda: ("position-empty", "riser-1") in rig.rules())
    assert len([record for record in caplog.records if "collector of thermal has not answered" in record.message]) == 1
    rig.host.let_go()
    wait_for(lambda: "thermal" not in rig.daemon.status.overdue)
    rig.passes()
    result = rig.daemon.status.last_pass
    assert result is not None
    assert not isinstance(result.snapshot.thermal, Unread)


@pytest.mark.usefixtures("impatient")
def test_collectors_that_hang_from_the_start_do_not_keep_the_first_verdict(rig: Rig) -> None:
    rig.host.hold("/sys/class/hwmon", "/proc/meminfo", "/proc/mdstat", "/proc/self/mountinfo", "/sys/class/net")
    rig.start()
    status = rig.daemon.status
    assert status.complete
    assert {"thermal", "file_systems"} <= status.overdue.keys()
    assert "functions" in status.runs


@pytest.mark.usefixtures("impatient")
def test_it_ends_though_a_collector_hangs(rig: Rig) -> None:
    rig.start()
    rig.host.hold("/sys/class/hwmon")
    wait_for(lambda: "thermal" in rig.daemon.status.overdue)
    rig.daemon.stop()
    rig.thread.join(PATIENCE_SECONDS)  # the collector hangs for longer
    assert not rig.thread.is_alive()
    assert all(thread.daemon for thread in threading.enumerate() if thread.name.startswith("collector-"))


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


# --- the service manager, and the end ---------------------------------------------------------------------------------


def test_the_service_manager_is_told_of_the_whole_life(tmp_path: Path) -> None:
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        name = f"laneproof-life-{os.getpid()}-{time.monotonic_ns()}"
        manager.bind(f"\0{name}")
        manager.settimeout(10)
        notifier = SystemdNotifier({"NOTIFY_SOCKET": f"@{name}", "WATCHDOG_USEC": "400000"})
        rig = Rig(tmp_path, notifier=notifier).start()
        heard: list[str] = []

        def hear(pattern: str) -> str:
            """Listen until something matches; what came before it is passed over."""
            while True:
                heard.append(manager.recv(4096).decode())
                if re.fullmatch(pattern, heard[-1], re.DOTALL):
                    return heard[-1]

        try:
            assert hear(r"READY=1\n.*") == "READY=1\nSTATUS=holds"
            hear("WATCHDOG=1")
            rig.box.ports[0].drive = None
            rig.host.change()
            hear(r"STATUS=differs; \d+ findings?")
            rig.file.write_text("= =")
            hear(r"RELOADING=1\nMONOTONIC_USEC=\d+")
            assert "declaration not loaded, the last good one stays" in hear(r"READY=1\n.*")
        finally:
            rig.end()
        hear("STOPPING=1")
    assert not any(word.startswith("READY") for word in heard[: heard.index("READY=1\nSTATUS=holds")])


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


def test_what_the_owner_tells_is_kept_and_taken_in(rig: Rig, tmp_path: Path) -> None:
    rig.start()
    rig.passes()
    note = KeptNote(
        t=START + 5.0, kind="note", text="shorter cable", path="0000:00/01.1", detail={"position": "riser-1"}
    )
    Inbox(tmp_path).add(note)
    wait_for(lambda: rig.writer.notes == [note])
    wait_for(lambda: rig.daemon._engine.past.notes != ())
    assert rig.daemon._engine.past.notes[0].what == "adapter"
    assert [file.name for file in tmp_path.iterdir()] == ["build.toml"]


def test_what_the_kernel_tells_of_devices_is_kept(rig: Rig) -> None:
    rig.start()
    rig.box.ports[1].drive = None
    rig.host.change(removed("0000:02:00.0"))
    wait_for(lambda: "remove" in rig.writer.told)


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
