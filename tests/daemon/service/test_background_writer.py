"""Keeping in the background: in order, never in the loop's way, and what cannot be kept is said."""

import logging
import threading
import time
from collections.abc import Iterable, Mapping
from pathlib import Path
from types import MappingProxyType
from typing import Any

import pytest

from boxes.passes import Passes
from laneproof.engine import PassResult
from laneproof.history.events import Event
from laneproof.history.notes import KeptNote
from laneproof.history.store import JudgedPass, Store
from laneproof.service import background_writer
from laneproof.service.background_writer import BackgroundWriter
from laneproof.service.owner_notes import FILE, Inbox
from laneproof_collectors.hotplug import DeviceEvent
from laneproof_collectors.kernel_log.reading import TimedKernelEvent
from laneproof_collectors.questions import Clock
from support.waiting import PATIENCE_SECONDS, wait_for

CLOCK = Clock(unix_seconds=1.0, up_seconds=1.0)
NOTE = KeptNote(t=1.0, kind="note", text="moved")


class SlowWriter(Store):
    """Notes what it was given; hangs while told to, and fails where told to."""

    def __init__(self) -> None:
        self.given: list[object] = []
        self.may_go = threading.Event()
        self.may_go.set()
        self.fails = False

    def _take(self, what: object) -> None:
        self.may_go.wait(PATIENCE_SECONDS)
        if self.fails:
            self.fails = False
            raise OSError(28, "No space left on device")
        self.given.append(what)

    def add_pass(self, judged: JudgedPass) -> None:
        self._take(judged.snapshot.taken_at)

    def add_kernel_events(
        self, reports: Iterable[TimedKernelEvent], clock: Clock, paths: Mapping[str, str] = MappingProxyType({})
    ) -> None:
        self._take(("kernel", tuple(reports), clock, dict(paths)))

    def add_events(self, events: Iterable[Event]) -> None:
        self._take(("events", tuple(events)))

    def add_device_events(self, events: Iterable[DeviceEvent], clock: Clock) -> None:
        self._take(("devices", tuple(events), clock))

    def save_state(self, name: str, value: Mapping[str, Any]) -> None:
        self._take((name, value))

    def add_note(self, note: KeptNote) -> bool:
        self._take(note)
        return True

    def reconcile(self) -> None:
        self._take("reconcile")

    def close(self) -> None:
        self._take("closed")


def _result(t: float) -> PassResult:
    passes = Passes(t=t)
    return PassResult(snapshot=passes.take().snapshot, findings=(), changes=(), waiting=False)


def test_everything_is_kept_in_the_order_given_and_closed_last() -> None:
    slow = SlowWriter()
    writer = BackgroundWriter(slow)
    writer.add_pass(_result(5.0))
    writer.add_kernel_events(iter(()), CLOCK, {"nvme0": "0000:00/01.1"})
    writer.add_events(iter(()))
    writer.add_device_events(iter(()), CLOCK)
    writer.save_state("engine", {"a": 1})
    writer.close()
    assert slow.given == [
        5.0,
        ("kernel", (), CLOCK, {"nvme0": "0000:00/01.1"}),
        ("events", ()),
        ("devices", (), CLOCK),
        ("engine", {"a": 1}),
        "closed",
    ]


def test_a_history_that_hangs_holds_up_nobody() -> None:
    slow = SlowWriter()
    writer = BackgroundWriter(slow)
    slow.may_go.clear()
    started = time.monotonic()
    for number in range(10):
        writer.add_pass(_result(float(number)))
    assert time.monotonic() - started < PATIENCE_SECONDS / 2
    assert slow.given == []
    slow.may_go.set()
    writer.close()
    assert slow.given == [*map(float, range(10)), "closed"]


def test_what_is_left_out_of_a_history_that_hangs_is_said_once_and_counted(caplog: pytest.LogCaptureFixture) -> None:
    slow = SlowWriter()
    slow.may_go.clear()
    writer = BackgroundWriter(slow, most_waiting=2)
    for _ in range(20):
        writer.save_state("engine", {})
    assert [record.levelno for record in caplog.records] == [logging.ERROR]
    slow.may_go.set()
    wait_for(lambda: len(slow.given) >= 2)
    writer.save_state("engine", {"last": True})
    writer.close()
    assert "are missing" in caplog.records[-1].message
    assert slow.given[-3:] == ["reconcile", ("engine", {"last": True}), "closed"]


def test_a_flood_of_events_does_not_push_out_the_passes() -> None:
    slow = SlowWriter()
    slow.may_go.clear()
    writer = BackgroundWriter(slow, most_waiting=background_writer.RESERVED + 5)
    for _ in range(500):
        writer.add_kernel_events((), CLOCK)
        writer.add_device_events((), CLOCK)
    writer.add_pass(_result(7.0))
    slow.may_go.set()
    writer.close()
    assert 7.0 in slow.given


def test_what_cannot_be_kept_does_not_end_the_keeping(caplog: pytest.LogCaptureFixture) -> None:
    slow = SlowWriter()
    slow.fails = True
    writer = BackgroundWriter(slow)
    writer.save_state("one", {})
    writer.save_state("two", {})
    writer.close()
    assert slow.given == [("two", {}), "closed"]
    assert "could not be kept" in caplog.text


def test_an_owner_s_note_is_taken_beside_the_caller_kept_and_then_given(tmp_path: Path) -> None:
    slow, inbox = SlowWriter(), Inbox(tmp_path)
    writer = BackgroundWriter(slow)
    inbox.add(NOTE)
    slow.may_go.clear()
    for _ in range(5):
        assert writer.take_notes(inbox) == ()  # the history hangs, its caller does not
    slow.may_go.set()
    taken: list[KeptNote] = []
    wait_for(lambda: taken.extend(writer.take_notes(inbox)) or bool(taken))
    assert taken == [NOTE]
    writer.close()
    assert slow.given == [NOTE, "closed"]
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("left", ["", "\n", "no note\n"])
def test_what_holds_no_note_keeps_no_note_back(tmp_path: Path, left: str) -> None:
    """A command that the full disk stopped leaves an empty file."""
    slow, inbox, taken = SlowWriter(), Inbox(tmp_path), list[KeptNote]()
    (tmp_path / FILE).write_text(left)
    writer = BackgroundWriter(slow)
    writer.take_notes(inbox)
    wait_for(lambda: list(tmp_path.iterdir()) == [])
    inbox.add(NOTE)
    wait_for(lambda: taken.extend(writer.take_notes(inbox)) or taken == [NOTE])
    writer.close()


def test_the_end_does_not_wait_for_ever(monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture) -> None:
    slow = SlowWriter()
    slow.may_go.clear()
    monkeypatch.setattr(background_writer, "CLOSE_SECONDS", 0.05)
    writer = BackgroundWriter(slow)
    writer.save_state("engine", {})
    writer.close()
    assert "its last minutes are lost" in caplog.text
    slow.may_go.set()
    wait_for(lambda: slow.given[-1:] == ["closed"])
