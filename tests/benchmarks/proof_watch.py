"""What a second's watch of an acceptance run costs at 24 drives, and what it takes from the load.

Run as ``python -m benchmarks.proof_watch`` with ``tests`` on the path. The watch reads a tree of 24 drives, as
`pass_cost` makes it, while fio reads a file; then the same file is read without a watch, in pairs in one run. On a busy
machine a pair says more of its other work than of the watch, so there are many, in either order.
"""

import math
import shutil
import statistics
import tempfile
import time
from pathlib import Path

from scipy import stats

from benchmarks.pass_cost import TreeHost, lay_out
from laneproof.box.placement import arrange
from laneproof.commands.proof_machine import LiveProofMachine
from laneproof.proof.targets import find_targets
from laneproof_collectors.collection import read_snapshot
from laneproof_collectors.fio import Job, Load, LoadResult, find_program

DRIVES, TURNS, SECONDS = 24, 20, 5


def main() -> None:
    """Print the figures."""
    fio, setpriv = str(find_program("fio")), str(find_program("setpriv"))
    root = tempfile.mkdtemp()
    host = TreeHost(root, lay_out(Path(root), DRIVES))
    try:
        file = Path(root) / "disk.img"
        file.write_bytes(b"\0" * (1 << 27))
        targets = find_targets(arrange(None, read_snapshot(host)))
        machine = LiveProofMachine(host, None, targets, fio=fio, setpriv=setpriv, rate_bytes=None)
        machine.watch_next(quiet=False)
        watched: list[float] = []
        alone: list[float] = []
        late: list[float] = []
        spent = 0.0
        for turn in range(TURNS):
            for is_watched in (True, False) if turn % 2 else (False, True):
                started = time.monotonic()
                load = Load(Job(disk=str(file), seconds=SECONDS + 5), fio=fio, setpriv=setpriv)
                if is_watched:
                    machine.watch_next(quiet=False)  # takes up the second that it is in
                began, last = time.process_time(), time.monotonic()
                for _ in range(SECONDS):
                    if is_watched:
                        machine.watch_next(quiet=False)
                    else:
                        time.sleep(1.0)
                    late.append(time.monotonic() - last - 1.0 if is_watched else 0.0)
                    last = time.monotonic()
                spent += (time.process_time() - began) * is_watched
                result = load.collect()
                rate = result.read_bytes / (time.monotonic() - started) if isinstance(result, LoadResult) else 0.0
                (watched if is_watched else alone).append(rate)
    finally:
        host.close()
        shutil.rmtree(root)
    print(
        f"{len(targets.drives)} drives: {spent / (TURNS * SECONDS) * 1000:.0f} ms of processor time a second's reading"
    )
    print(f"a reading came late by {max(late):.2f} s at most")
    # a load that a busy machine did not even start says nothing
    logs = [math.log(with_watch / without) for with_watch, without in zip(watched, alone, strict=True)
            if with_watch and without]  # fmt: skip
    middle, error = statistics.fmean(logs), statistics.stdev(logs) / math.sqrt(len(logs))
    low, high = (math.exp(middle + side * stats.t.ppf(0.975, len(logs) - 1) * error) for side in (-1, 1))
    print(f"load with the watch over load without: {math.exp(middle):.3f} (geometric mean of {len(logs)} pairs, 95 %: "
          f"{low:.3f} to {high:.3f})")  # fmt: skip


if __name__ == "__main__":
    main()
