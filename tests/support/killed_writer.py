"""A writer of the history that is killed at random moments, and what must be true of its file after each kill.

Run as ``python -m support.killed_writer [KILLS [SEED]]`` with ``tests`` on the path; the kill is signal 9, which none
sees. Each step of the writer is a pass that clears the finding of the step before and raises its own, and an owner's
note; what is acknowledged is what the writer said after its commit.
"""

import os
import random
import signal
import sys
import tempfile
import time
from collections import Counter
from contextlib import closing
from pathlib import Path

from boxes.passes import Passes, change_of, make_finding
from boxes.snapshot_box import A_MORNING
from laneproof.findings import Change
from laneproof.history.database import Database
from laneproof.history.notes import KeptNote
from laneproof.history.store import Store

LONGEST_SECONDS = 0.1
"""How long a writer lives at most after its start, or after its first step."""

KILLS_A_FILE = 4
"""After so many a new file is begun: the oldest of two thousand findings are dropped, as they should be."""


class Steps:
    """Goes on where a history stands, step by step."""

    def __init__(self, store: Store) -> None:
        self.store = store
        self.next = max((int(note.text) for note in store.read_notes()), default=0) + 1
        self.passes = Passes(t=A_MORNING + 60.0 * self.next, up=100.0 + 60.0 * self.next)
        self._standing = {finding.position: finding for finding in store.load_standing()}

    def take(self) -> int:
        """Take one step; gives its number once it is committed."""
        step, passes, standing = self.next, self.passes, self._standing
        over = [standing.pop(name) for name in [*standing] if name != str(step)]
        changes = [change_of(Change.CLEARED, finding, passes.t) for finding in over]
        if str(step) not in standing:
            standing[str(step)] = make_finding(position=str(step), since=passes.t)
            changes.append(change_of(Change.RAISED, standing[str(step)], passes.t))
        passes.standing = tuple(standing.values())
        passes.drive(0, health={"media_errors": step})
        self.store.add_pass(passes.take(*changes))
        self.store.add_note(KeptNote(t=A_MORNING + 60.0 * step, kind="note", text=str(step)))
        self.next += 1
        passes.wait(60.0)
        return step


def write(file: Path, acknowledge: int) -> None:
    """Go on where the file stands, until killed."""
    with closing(Store.open(str(file))) as store:
        steps = Steps(store)
        while True:
            os.write(acknowledge, f"{steps.take()}\n".encode())


def kill_one(file: Path, chance: random.Random, *, at_work: bool) -> int:
    """Let a writer live for a moment; gives the last step that it acknowledged, 0 for none.

    Args:
        file: What it writes.
        chance: Chooses the moment.
        at_work: Count the moment from its first step on; else from its start, so that opening is interrupted too.
    """
    reads, writes = os.pipe()
    child = os.fork()
    if child == 0:
        try:
            os.close(reads)
            write(file, writes)
        finally:
            os._exit(1)  # a writer that ends by itself has failed
    os.close(writes)
    first = os.read(reads, 1) if at_work else b""
    time.sleep(chance.uniform(0.0, LONGEST_SECONDS))
    os.kill(child, signal.SIGKILL)
    _, status = os.waitpid(child, 0)
    with os.fdopen(reads, "rb") as said:
        acknowledged = (first + said.read()).split()
    assert os.WIFSIGNALED(status), "the writer failed by itself"
    return int(acknowledged[-1]) if acknowledged else 0


def check_file(file: Path, acknowledged: int) -> None:
    """Hold that the file opens, nothing acknowledged is missing, and no finding was raised twice or forgotten."""
    database = Database(str(file))
    assert not database.in_memory
    assert database.connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    with closing(Store(database)) as store:
        check(store, acknowledged)


def check(store: Store, acknowledged: int) -> None:
    """Hold the same of an open history."""
    noted = sorted(int(note.text) for note in store.read_notes())
    assert noted == [*range(1, len(noted) + 1)], "a note is missing, or kept twice"
    assert len(noted) >= acknowledged
    counts = Counter((change.finding.position, change.change) for change in store.read_finding_changes())
    raised = len(noted) + int(counts[str(len(noted) + 1), Change.RAISED] == 1)  # its pass, and not yet its note
    expected: dict[tuple[str | None, Change], int] = {(str(step), Change.RAISED): 1 for step in range(1, raised + 1)}
    expected |= {(str(step), Change.CLEARED): 1 for step in range(1, raised)}
    differ = {name: (counts[name], expected.get(name, 0)) for name in counts.keys() | expected}
    assert counts == expected, {name: both for name, both in differ.items() if both[0] != both[1]}
    assert [finding.position for finding in store.load_standing()] == ([str(raised)] if raised else [])


def kill_many(folder: Path, kills: int, seed: int) -> int:
    """Kill writers one after another, and check the file each time; gives how many steps were acknowledged in all."""
    chance, steps, acknowledged = random.Random(seed), 0, 0
    for number in range(kills):
        if number % KILLS_A_FILE == 0:
            steps, acknowledged = steps + acknowledged, 0
        file = folder / f"{number // KILLS_A_FILE}.db"
        acknowledged = max(acknowledged, kill_one(file, chance, at_work=number % 2 == 1))
        check_file(file, acknowledged)
        assert not list(folder.glob("*aside*"))
    return steps + acknowledged


if __name__ == "__main__":
    wanted = int(sys.argv[1]) if len(sys.argv) > 1 else 500
    with tempfile.TemporaryDirectory() as made:
        steps = kill_many(Path(made), wanted, int(sys.argv[2]) if len(sys.argv) > 2 else 1)
    sys.stdout.write(f"{wanted} kills, {steps} steps acknowledged, nothing lost, raised twice or forgotten\n")
