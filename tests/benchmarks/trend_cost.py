"""What a year's trend costs: of a position and of the whole box, from a recording of 2,000 frames and from a history.

Run as ``python -m benchmarks.trend_cost`` with ``tests`` on the path. Eight drives are never idle: each frame moves
their counts and temperatures, and one link collects errors. Ends with status 1 where a figure is above its target: 3 s
from the recording, 1 s from the history (of processor time, which other work on the machine hardly moves).
"""

import contextlib
import io
import random
import sys
import tempfile
import time
from pathlib import Path

from laneproof.cli import main as run
from laneproof.commands.inputs import open_recording
from laneproof.commands.recorded_passes import judge_frames, keep_frame
from laneproof.history.store import Store
from simulation.box import RecordingWriter, SimulatedBox
from simulation.hardware import Drive, Port

FRAMES, DRIVES, YEAR = 2000, 8, 365 * 86400.0
RECORDING_SECONDS, HISTORY_SECONDS = 3.0, 1.0


def write_recording(file: Path, *, until: float) -> None:
    """Write a year of a busy box that ends at a time."""
    draw = random.Random(7)
    drives = [Drive(serial=f"A{number}") for number in range(DRIVES)]
    box = SimulatedBox(ports=[Port(hop=f"01.{number}", drive=drive) for number, drive in enumerate(drives)])
    writer = RecordingWriter(box)
    for frame in range(FRAMES):
        for drive in drives:
            drive.health.temperature_celsius = 30.0 + draw.randint(0, 12)
            drive.health.data_units_written += draw.randint(1, 9000)
            drive.stat[6] += draw.randint(1, 10_000_000)
        if draw.random() < 0.2:
            box.ports[2].counters["BadTLP"] = box.ports[2].counters.get("BadTLP", 0) + draw.randint(1, 5)
        passed = frame * YEAR / FRAMES
        writer.take(box, t=until - YEAR + passed, up=60.0 + passed)
    file.write_text("".join(f"{line}\n" for line in writer.lines))


def keep(recording: Path, database: Path) -> None:
    """Keep a recording's passes as the daemon would."""
    store = Store.open(str(database), hole_seconds=float("inf"))
    with open_recording(str(recording)) as opened:
        for frame in judge_frames(opened.host(), None, opened.name):
            keep_frame(frame, store)
    store.close()


def measure(*arguments: str) -> float:
    """Run a command and give the processor time that it took."""
    begun = time.process_time()
    with contextlib.redirect_stdout(io.StringIO()):
        status = run(["trend", *arguments])
    assert status == 0
    return time.process_time() - begun


def main() -> int:
    """Measure, print, and say by the status whether the targets hold."""
    worst = 0
    with tempfile.TemporaryDirectory() as name:
        folder, recording = Path(name), Path(name) / "year.jsonl"
        write_recording(recording, until=time.time() - 3600)
        keep(recording, folder / "history.db")
        for of, target, source in (
            ("a recording", RECORDING_SECONDS, ("--from", str(recording))),
            ("a history", HISTORY_SECONDS, ("--state", name, "--since", "366d")),
        ):
            for what in (("A2",), ()):
                seconds = measure(*what, *source)
                worst |= seconds > target
                print(f"{'a position' if what else 'the whole box'} from {of}: {seconds:.2f} s, at most {target:g} s")
    return int(worst)


if __name__ == "__main__":
    sys.exit(main())
