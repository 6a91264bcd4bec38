"""Devices that never answer, over many passes: what each costs, and that nothing gathers behind them.

Run as ``python -m support.stuck_devices [PASSES [SEED]]`` with ``tests`` on the path. First seven drives of eight hang
for one pass, at the deadlines that a service has. Then, at shorter ones, drives' own answers, files of the kernel
and runs of another program hang and come back at random.
"""

import os
import random
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import psutil

from benchmarks.pass_cost import TreeHost, folder_in_memory, lay_out
from laneproof_collectors.collection import make_collectors, read_snapshot
from laneproof_collectors.hung_devices import DEFAULT_DEADLINE_SECONDS, MOST_HANGING
from laneproof_collectors.nvme.controllers import read_controllers
from laneproof_collectors.programs import run_program
from laneproof_collectors.questions import Answer, NvmeFeature, NvmeIdentify, NvmeLog, Question, Smartctl, name_question
from laneproof_collectors.snapshot import Snapshot
from laneproof_collectors.unread import Unread
from support.unread_answers import known

DRIVES = 8
DISKS = ("sda", "sdb", "sdc", "sdd")
ASK_DISKS_EVERY = 50
"""How many passes go by between two questions to disks."""
SETTLE_SECONDS = 30.0


class StallingHost(TreeHost):
    """Drives, files and programs that give no answer for as long as they hang."""

    def __init__(self, root: str, pages: dict[str, dict[str, object]], deadline_seconds: float) -> None:
        super().__init__(root, pages)
        self._deadline_seconds = deadline_seconds
        self.hung: dict[str, threading.Event] = {}
        self.waiting: set[str] = set()
        """What was asked, and hangs."""

    def set_hung(self, names: set[str]) -> None:
        """Let these hang, and no others; returns when the threads of the others have come back."""
        for name in self.hung.keys() - names:
            self.hung.pop(name).set()
        for name in names - self.hung.keys():
            self.hung[name] = threading.Event()
        until = time.monotonic() + SETTLE_SECONDS
        while self.waiting - self.hung.keys() or self._hanging > len(self.waiting):
            assert time.monotonic() < until, f"{self._hanging} threads wait at {self.waiting}"
            time.sleep(0.005)

    def _answer(self, question: Question) -> Answer:
        if (hangs := self.hung.get(name := _name(question))) is not None:
            self.waiting.add(name)
            hangs.wait()
            self.waiting.discard(name)
        return super()._answer(question)

    def _smartctl(self, what: str, device: str) -> dict[str, Any] | Unread:
        call = ["sleep", "600"] if f"/dev/{device}" in self.hung else ["true"]
        run = run_program(what, call, deadline_seconds=2 * self._deadline_seconds, limit_bytes=1)
        return run if isinstance(run, Unread) else {}


def _name(question: Question) -> str:
    """Name what hangs as a whole: all that a drive itself answers, or one file."""
    match question:
        case NvmeIdentify(name) | NvmeLog(name) | NvmeFeature(name):
            return name
        case _:
            return name_question(question)


@contextmanager
def stalling_host(deadline_seconds: float) -> Iterator[StallingHost]:
    """Lay out a box of eight drives."""
    with folder_in_memory() as root:
        host = StallingHost(root, lay_out(Path(root), DRIVES), deadline_seconds)
        try:
            yield host
        finally:
            host.set_hung(set())
            host.close()


def list_unread(snapshot: Snapshot) -> set[str]:
    """Name the drives whose health was not read."""
    return {drive.name for drive in known(snapshot.controllers) if isinstance(drive.health, Unread)}


def try_seven_of_eight() -> str:
    """Let seven drives hang for one pass; the eighth is read."""
    with stalling_host(DEFAULT_DEADLINE_SECONDS) as host:
        host.set_hung({f"nvme{number}" for number in range(DRIVES - 1)})
        began = time.monotonic()
        drives = read_controllers(host)
        took = time.monotonic() - began
        assert [isinstance(drive.health, Unread) for drive in known(drives)] == [True] * (DRIVES - 1) + [False]
    return f"seven drives of eight: a pass over the drives took {took:.1f} s, and the eighth was read"


def try_passes(passes: int, seed: int, *, change_every: int = 50, deadline_seconds: float = 2.0) -> str:
    """Let devices hang and come back at random; each costs its own facts, and threads and programs stay few.

    Args:
        passes: How many.
        seed: Of what hangs when.
        change_every: How many passes see the same devices hang, on average.
        deadline_seconds: How long a question may take.
    """
    chance = random.Random(seed)
    process, before, began = psutil.Process(), threading.active_count(), time.monotonic()
    most_threads = most_programs = stalls = late = 0
    with stalling_host(deadline_seconds) as host:
        collectors = make_collectors()
        folders = {name: host._find_folder(name) for name in (f"nvme{number}" for number in range(DRIVES))}
        functions = (os.path.realpath(link) for link in Path(host._root, "sys/bus/pci/devices").iterdir())
        files = [f"{function.removeprefix(host._root)}/config" for function in functions]
        may_hang = (*folders, *files, *(f"/dev/{disk}" for disk in DISKS))
        for number in range(passes):
            if chance.random() < 1 / change_every:
                hung = set(host.hung)
                host.set_hung(set(chance.sample(may_hang, chance.randrange(len(may_hang) // 2))))
                stalls += len(host.hung.keys() - hung)
            snapshot = read_snapshot(host, collectors)
            if number % ASK_DISKS_EVERY == 0:
                for disk, answer in zip(DISKS, host.ask([Smartctl(disk) for disk in DISKS]), strict=True):
                    assert isinstance(answer, Unread) or f"/dev/{disk}" not in host.hung
            above = tuple(name.removesuffix("config") for name in host.waiting if name.startswith("/sys/"))
            lost = {name for name, folder in folders.items() if name in host.waiting or folder.startswith(above)}
            unread = list_unread(snapshot)
            assert unread >= lost, f"{lost - unread} hang, and were read"
            late += unread != lost
            assert late <= 1 + passes // 100, f"{unread} were not read, and only {lost} hang"
            most_threads = max(most_threads, threading.active_count() - before)
            most_programs = max(most_programs, len(process.children()))
            assert most_threads <= 2 * MOST_HANGING
            assert most_programs <= len(DISKS)
        host.set_hung(set())
        assert list_unread(read_snapshot(host, collectors)) == set()
    assert not process.children()
    return (
        f"{passes} passes, {stalls} stalls, each cost its own facts; at most {most_threads} threads, {most_programs} "
        f"programs at a time, of which none was left; {late} passes late for other reasons "
        f"({time.monotonic() - began:.0f} s)"
    )


if __name__ == "__main__":
    given = [int(word) for word in sys.argv[1:3]]
    sys.stdout.write(f"{try_seven_of_eight()}\n")
    sys.stdout.write(f"{try_passes(*[*given, 1000, 1][:2] if len(given) != 1 else (given[0], 1))}\n")
