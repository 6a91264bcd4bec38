"""What the service costs at rest with eight drives: both processes, for some minutes, over a tree of files.

Run as ``python -m benchmarks.at_rest [SECONDS]`` with ``tests`` on the path. The drives answer from memory, so what the
kernel spends on a real admin command is not in it; all else is as it runs: the reader's process, its socket, the judge.
What is written comes in one go each five minutes, so it is counted from one such write to the last: within a fixed time
there is one more or less by chance.
"""

# ruff: noqa: PLC0415 (each of the two processes imports what it is made of, and nothing more)

import contextlib
import json
import os
import signal
import sys
import time
from pathlib import Path
from types import FrameType
from typing import NoReturn

DRIVES = 8
SETTLE_SECONDS = 75.0
DEFAULT_SECONDS = 1000.0
_TICKS = os.sysconf("SC_CLK_TCK")
_DAY = 86400.0


def run_reader(root: str, path: str, pages: str, counts: str) -> None:
    """Be the reader: the real one, but for the drives, which answer from a file."""
    from laneproof_collectors.questions import Answer, FeatureValue, NvmeFeature, NvmeIdentify, NvmeLog, Question
    from laneproof_collectors.reader import GuardedHost, Reader, _listen

    known = {name: bytes.fromhex(page) for name, page in json.loads(Path(pages).read_text()).items()}
    sent: dict[str, int] = {}

    class TreeReader(GuardedHost):
        def _answer(self, question: Question) -> Answer:
            match question:
                case NvmeIdentify(controller):
                    key = f"{controller}/identify"
                case NvmeLog(controller, log_id):
                    key = f"{controller}/log:{log_id}"
                case NvmeFeature(controller, feature_id):
                    key = f"{controller}/feature:{feature_id}:data"
                case _:
                    return super()._answer(question)
            sent[controller] = sent.get(controller, 0) + 1
            page = known.get(key, b"")
            return FeatureValue(value=1, data=page) if isinstance(question, NvmeFeature) else page

    def say(_number: int, _frame: FrameType | None) -> None:
        Path(f"{counts}.new").write_text(json.dumps(sent))
        Path(f"{counts}.new").rename(counts)

    signal.signal(signal.SIGUSR1, say)
    Reader(TreeReader(root)).serve(_listen(path))


def run_judge(root: str, path: str, state: str) -> NoReturn:
    """Be the service."""
    from laneproof.cli import main as command
    from laneproof.commands import serve
    from laneproof_collectors.reader_host import ReaderHost

    # Not by unittest.mock: what it loads would be counted, 8 MiB in each process.
    setattr(serve, "make_host", lambda _: ReaderHost(path, root))  # noqa: B010 (an assignment would be of another type)
    sys.exit(command(["serve", "--listen", "127.0.0.1:0", "--state", state]))


class Process:
    """What a process has used so far."""

    def __init__(self, pid: int) -> None:
        folder = Path(f"/proc/{pid}")
        fields = (folder / "stat").read_text().rpartition(")")[2].split()
        self.seconds = (int(fields[11]) + int(fields[12])) / _TICKS  # proc_pid_stat(5): utime, stime
        self.wakes = 0
        for status in folder.glob("task/*/status"):
            with contextlib.suppress(OSError):  # a thread that ended
                self.wakes += _find(status.read_text(), "voluntary_ctxt_switches")
        rollup = (folder / "smaps_rollup").read_text()
        self.resident, self.own = _find(rollup, "Rss") / 1024, _find(rollup, "Pss") / 1024


class Writes:
    """What a process has written, from the first time that something was to the last."""

    def __init__(self, pid: int) -> None:
        self.file = Path(f"/proc/{pid}/io")
        self.moves: list[tuple[float, int]] = []
        self.written = self.read()

    def read(self) -> int:
        return _find(self.file.read_text(), "write_bytes")

    def follow(self) -> None:
        before, self.written = self.written, self.read()
        if self.written != before:
            self.moves.append((time.monotonic(), self.written))

    def a_day(self) -> str:
        if not self.moves:
            return "0"
        (begun, before), (ended, after) = self.moves[0], self.moves[-1]
        return f"{(after - before) / (ended - begun) * _DAY / 1e6:.1f}" if ended > begun else "not known"


def _find(text: str, name: str) -> int:
    return next(int(line.split()[1]) for line in text.splitlines() if line.startswith(f"{name}:"))


def measure(seconds: float) -> None:
    """Run both and print what they cost."""
    import subprocess
    import tempfile

    from benchmarks.pass_cost import lay_out

    with tempfile.TemporaryDirectory(dir="/dev/shm") as top, tempfile.TemporaryDirectory() as state:
        root, path, pages, counts = (f"{top}/{name}" for name in ("root", "sock", "pages", "counts"))
        laid = lay_out(Path(root), DRIVES)
        known = {
            f"{name}/{key}": page.hex()
            for name, entries in laid.items()
            for key, page in entries.items()
            if isinstance(page, bytes)
        }
        Path(pages).write_text(json.dumps(known))
        Path(root, "dev").mkdir()
        os.mkfifo(f"{root}/dev/kmsg")  # a log in which nothing is said
        own = [sys.executable, "-m", "benchmarks.at_rest"]
        quiet = subprocess.DEVNULL
        with (
            subprocess.Popen([*own, "reader", root, path, pages, counts]) as reader,
            subprocess.Popen([*own, "judge", root, path, state], stderr=quiet) as judge,
        ):
            try:
                time.sleep(SETTLE_SECONDS)
                before = {"judge": Process(judge.pid), "reader": Process(reader.pid)}, _count(reader.pid, counts)
                writes = {"judge": Writes(judge.pid), "reader": Writes(reader.pid)}
                for _ in range(round(seconds)):
                    time.sleep(1.0)
                    for process in writes.values():
                        process.follow()
                after = {"judge": Process(judge.pid), "reader": Process(reader.pid)}, _count(reader.pid, counts)
            finally:
                judge.terminate()
                reader.terminate()
    print("| process | processor, % | resident, MiB | of it its own | wake-ups a second | MB written a day |")
    print("| --- | --- | --- | --- | --- | --- |")
    for name, end in after[0].items():
        start = before[0][name]
        print(
            f"| {name} | {(end.seconds - start.seconds) / seconds * 100:.2f} | {end.resident:.1f} | {end.own:.1f} "
            f"| {(end.wakes - start.wakes) / seconds:.1f} | {writes[name].a_day()} |"
        )
    sent = sum(after[1].values()) - sum(before[1].values())
    print(f"admin commands to each of {DRIVES} drives: {sent / DRIVES / seconds * _DAY:.0f} a day")


def _count(pid: int, counts: str) -> dict[str, int]:
    Path(counts).unlink(missing_ok=True)
    os.kill(pid, signal.SIGUSR1)
    while not Path(counts).exists():
        time.sleep(0.05)
    sent: dict[str, int] = json.loads(Path(counts).read_text())
    return sent


def main() -> None:
    """Measure, or be one of the two processes."""
    match sys.argv[1:]:
        case ["reader", root, path, pages, counts]:
            run_reader(root, path, pages, counts)
        case ["judge", root, path, state]:
            run_judge(root, path, state)
        case [seconds]:
            measure(float(seconds))
        case _:
            measure(DEFAULT_SECONDS)


if __name__ == "__main__":
    main()
