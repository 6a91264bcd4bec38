"""Devices that hang: each costs one deadline and its own answers, and holds up nothing else."""

import os
import threading
import time
from pathlib import Path
from types import SimpleNamespace
from typing import cast

import pytest

from laneproof_collectors.hung_devices import MOST_HANGING, _Batch, _Reader, _watch
from laneproof_collectors.live_host import LiveHost
from laneproof_collectors.questions import (
    Answer,
    Clock,
    ListFolder,
    NvmeIdentify,
    NvmeLog,
    Question,
    ReadFile,
    Smartctl,
    name_question,
)
from laneproof_collectors.unread import Reason, Unread
from support.stuck_devices import try_passes
from support.unread_answers import unread


def test_a_read_that_hangs_costs_one_deadline_and_holds_up_nothing_else(
    tree: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    release, real_open = threading.Event(), os.open
    opened: list[str] = []

    def hang(path: str, *rest: int) -> int:
        opened.append(path)
        if "stuck" in path:
            release.wait(30)
        return real_open(path, *rest)

    (tree / "sys/stuck").mkdir()
    (tree / "sys/stuck/one").write_text("1\n")
    (tree / "sys/stuck/two").write_text("2\n")
    monkeypatch.setattr(os, "open", hang)
    host = LiveHost(str(tree), deadline_seconds=0.05)
    vendor = "/sys/devices/pci0000:00/0000:00:01.1/vendor"

    one, two = "/sys/stuck/one", "/sys/stuck/two"
    first = host.files((vendor, one, vendor, two))
    assert isinstance(first[1], Unread)
    assert (first[0], first[1].reason, first[2]) == (b"0x1b36\n", Reason.TIMED_OUT, b"0x1b36\n")

    # the same device: answered at once, without another waiting thread
    for second in map(unread, (first[3], host.file(two))):
        assert f"still waiting for {one}" in second.why
    assert sum("stuck" in path for path in opened) == 1

    release.set()
    for _ in range(3000):  # half a minute: how long a thread needs to end says how busy the machine is
        if host.file(two) == b"2\n":
            break
        threading.Event().wait(0.01)
    assert host.file(two) == b"2\n"
    host.close()


class DrivesThatMeet(LiveHost):
    """Drives that answer only once all of them have been asked."""

    def __init__(self, drives: int) -> None:
        super().__init__("/nonexistent", deadline_seconds=60)
        self.meeting = threading.Barrier(drives)

    def _answer(self, question: Question) -> Answer:
        if isinstance(question, NvmeLog):
            self.meeting.wait(60)
        return name_question(question).encode()


def test_a_question_is_waited_for_from_when_it_was_first_seen_and_not_before_it_was_begun() -> None:
    batch, done = _Batch(questions=(), answers=[], positions=()), iter((False, False, False, True))
    thread = cast("_Reader", SimpleNamespace(wait=lambda _: next(done)))
    assert _watch(batch, thread, 0.1) is None
    batch.at, done = 1, iter((False, False))
    assert _watch(batch, thread, 0.1)


def test_devices_that_hang_are_waited_for_side_by_side_and_each_keeps_its_own_questions() -> None:
    host = DrivesThatMeet(7)
    asked = [part for number in range(7) for part in (NvmeLog(f"nvme{number}", 2, 512), NvmeIdentify(f"nvme{number}"))]
    assert host.ask(asked) == [name_question(question).encode() for question in asked]
    host.close()


class Stalling(LiveHost):
    """A tree of files in which all that begins so gets no answer until it is let go."""

    def __init__(self, root: str, *beginnings: str, deadline_seconds: float = 0.5) -> None:
        super().__init__(root, deadline_seconds=deadline_seconds)
        self.beginnings = beginnings
        self.let_go = threading.Event()
        self.waiting = 0

    def _answer(self, question: Question) -> Answer:
        if name_question(question).startswith(self.beginnings):
            self.waiting += 1
            self.let_go.wait(60)
        return super()._answer(question)


def test_all_below_a_device_that_hangs_counts_as_hung_and_what_a_drive_answers_too(tree: Path) -> None:
    port = "/sys/devices/pci0000:00/0000:00:01.1"
    drive = f"{port}/0000:01:00.0/nvme/nvme0"
    (tree / drive[1:]).mkdir(parents=True)
    (tree / drive[1:] / "state").write_text("live\n")
    (tree / "sys/class/nvme").mkdir(parents=True)
    (tree / "sys/class/nvme/nvme0").symlink_to(f"../../{drive[5:]}")
    host = Stalling(str(tree), f"{port}/config")
    assert host.file(f"{drive}/state") == b"live\n"
    host.file(f"{port}/config")
    below = (ReadFile(f"{drive}/state"), NvmeLog("nvme0", 2, 512), Smartctl("nvme0"), ListFolder(drive))
    for answer in map(unread, host.ask(below)):
        assert answer.reason is Reason.TIMED_OUT
        assert f"still waiting for {port}/config" in answer.why
    assert host.folder("/sys/bus/pci/devices") == ("0000:00:01.1",)
    assert host.waiting == 1
    host.let_go.set()
    host.close()


def test_a_drive_that_answers_nothing_costs_its_own_answers_and_not_the_kernels_files_about_it(tree: Path) -> None:
    host = Stalling(str(tree), "log 02h of nvme0")
    log, vendor, other = host.ask(
        [NvmeLog("nvme0", 2, 512), ReadFile("/sys/devices/pci0000:00/0000:00:01.1/vendor"), NvmeLog("nvme1", 2, 512)]
    )
    assert isinstance(log, Unread)
    assert (log.reason, vendor, unread(other).reason) == (Reason.TIMED_OUT, b"0x1b36\n", Reason.ABSENT)
    host.let_go.set()
    host.close()


def test_no_more_reads_are_begun_than_may_hang_at_a_time_and_one_that_comes_back_makes_room(tree: Path) -> None:
    host = Stalling(str(tree), "/sys/stuck", deadline_seconds=0.02)
    before = threading.active_count()
    for number in range(3 * MOST_HANGING):
        why = unread(host.file(f"/sys/stuck/{number}/state")).why  # each a device of its own
    assert host.waiting == MOST_HANGING
    assert threading.active_count() - before <= MOST_HANGING + 1
    assert f"{MOST_HANGING} reads hang" in why
    assert isinstance(host.clock(), Clock)  # what never waits is answered all the same
    host.let_go.set()
    until_all_came_back = (host.folder("/sys/bus/pci/devices") for _ in range(3000) if not threading.Event().wait(0.01))
    assert ("0000:00:01.1",) in until_all_came_back
    host.close()


def test_over_many_passes_what_hangs_costs_its_own_facts_and_nothing_gathers() -> None:
    try_passes(15, seed=time.time_ns(), change_every=4, deadline_seconds=1.0)


def test_a_thread_that_cannot_be_had_is_an_answer(tree: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(_: threading.Thread) -> None:
        raise RuntimeError("can't start new thread")

    monkeypatch.setattr(threading.Thread, "start", refuse)
    host = LiveHost(str(tree))
    answer = unread(host.file("/sys/devices/pci0000:00/0000:00:01.1/vendor"))
    assert (answer.reason, answer.why) == (Reason.EXHAUSTED, "can't start new thread")
    assert isinstance(host.clock(), Clock)
