"""What a second's watch of an acceptance run costs at 24 drives, and what it takes from the load.

Run as ``python -m benchmarks.proof_watch`` with ``tests`` on the path. The watch reads a tree of 24 drives, as
`pass_cost` makes it, while one fio reads a file all the time; every two seconds the watch begins or rests, and what was
read is taken from the kernel's account of the process. On a busy machine a pair says more of its other work than of the
watch, so there are many.
"""

import math
import statistics
import tempfile
import time
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

from scipy import stats

from benchmarks.pass_cost import TreeHost, lay_out
from laneproof.box.placement import arrange
from laneproof.commands.proof_machine import LiveProofMachine
from laneproof.proof.targets import find_targets
from laneproof_collectors.collection import read_snapshot
from laneproof_collectors.fio import Job, Load, find_program

DRIVES, PAIRS, SECONDS = 24, 60, 2


def main() -> None:
    """Print the figures."""
    fio, setpriv = str(find_program("fio")), str(find_program("setpriv"))
    with tempfile.TemporaryDirectory() as root, closing(TreeHost(root, lay_out(Path(root), DRIVES))) as host:
        file = Path(root) / "disk.img"
        file.write_bytes(b"\0" * (1 << 27))
        targets = find_targets(arrange(None, read_snapshot(host)))
        machine = LiveProofMachine(host, None, targets, fio=fio, setpriv=setpriv, rate_bytes=None)
        load = Load(Job(disk=str(file), seconds=4 * PAIRS * SECONDS + 60), fio=fio, setpriv=setpriv)
        while not _count_read(load):
            time.sleep(0.1)
        logs, late, spent = [], [0.0], 0.0
        for _ in range(PAIRS):
            without = _measure(load, lambda: time.sleep(SECONDS))
            machine.watch_next(quiet=False)  # takes up the second that it is in
            began = time.process_time()
            with_watch = _measure(load, lambda: late.extend(_watch(machine) for _ in range(SECONDS)))
            spent += time.process_time() - began
            logs.append(math.log(with_watch / without))
        load.collect()
    a_second = spent / (PAIRS * SECONDS) * 1000
    print(f"{len(targets.drives)} drives: {a_second:.0f} ms of processor time a second's pass")
    print(f"a pass came late by {max(late):.2f} s at most")
    middle, error = statistics.fmean(logs), statistics.stdev(logs) / math.sqrt(PAIRS)
    low, high = (math.exp(middle + side * stats.t.ppf(0.975, PAIRS - 1) * error) for side in (-1, 1))
    print(f"load with the watch over load without: {math.exp(middle):.3f} (geometric mean of {PAIRS} pairs, 95 %: "
          f"{low:.3f} to {high:.3f})")  # fmt: skip


def _watch(machine: LiveProofMachine) -> float:
    """Watch for a second; give how late it came."""
    began = time.monotonic()
    machine.watch_next(quiet=False)
    return time.monotonic() - began - 1.0


def _measure(load: Load, wait: Callable[[], None]) -> float:
    """Give the bytes a second that a load reads meanwhile."""
    read, began = _count_read(load), time.monotonic()
    wait()
    return max(1.0, (_count_read(load) - read) / (time.monotonic() - began))


def _count_read(load: Load) -> int:
    """Read how much a load has read. Source: proc(5), ``/proc/PID/io``, ``read_bytes``."""
    return int(Path("/proc", str(load.process_id), "io").read_text().partition("\nread_bytes: ")[2].split()[0])


if __name__ == "__main__":
    main()
