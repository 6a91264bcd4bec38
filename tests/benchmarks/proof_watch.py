"""What a second's watch of an acceptance run costs at 24 drives, and what it takes from the load.

Run as ``python -m benchmarks.proof_watch`` with ``tests`` on the path. The watch reads a tree of 24 drives, as
`pass_cost` makes it, while fio reads a file; then the same file is read without a watch, turn by turn in one run. On a
busy machine the turns say more of its other work than of the watch.
"""

import shutil
import statistics
import tempfile
import time
from pathlib import Path

from benchmarks.pass_cost import TreeHost, lay_out
from laneproof.box.placement import arrange
from laneproof.commands.proof_machine import LiveProofMachine
from laneproof.proof.targets import find_targets
from laneproof_collectors.collection import read_snapshot
from laneproof_collectors.fio import Job, Load, LoadResult, find_program

DRIVES, TURNS, SECONDS = 24, 5, 6


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
        watched: list[int] = []
        alone: list[int] = []
        late: list[float] = []
        spent = 0.0
        for _ in range(TURNS):
            for rates, is_watched in ((watched, True), (alone, False)):
                load = Load(Job(disk=str(file), seconds=SECONDS + 5), fio=fio, setpriv=setpriv)
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
                rates.append(result.read_bytes if isinstance(result, LoadResult) else 0)
    finally:
        host.close()
        shutil.rmtree(root)
    print(
        f"{len(targets.drives)} drives: {spent / (TURNS * SECONDS) * 1000:.0f} ms of processor time a second's reading"
    )
    print(f"a reading came late by {max(late):.2f} s at most")
    turns = [one / other for one, other in zip(watched, alone, strict=True)]
    print(f"load with the watch over load without: {statistics.median(turns):.3f} (median of {TURNS} turns, "
          f"{min(turns):.3f} to {max(turns):.3f})")  # fmt: skip


if __name__ == "__main__":
    main()
