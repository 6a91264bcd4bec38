"""What one pass costs: all collectors over a tree of 8 to 384 drives, against bare reads of the same files.

Run as ``python -m benchmarks.pass_cost`` with ``tests`` on the path. Each ratio compares two loops of one run: a full
pass, and the bare system calls (open, read, close; readlink; listdir) for everything that the pass asked of the file
tree. Drives answer admin commands from memory, since a tmpfs has none; parsing their pages is in the pass's cost.
"""

import base64
import os
import re
import tempfile
import time
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path

from laneproof.declaration.build import Build
from laneproof.engine import Engine
from laneproof.rules import judge_all
from laneproof.rules.rule import Pass
from laneproof_collectors.collection import make_collectors, read_snapshot
from laneproof_collectors.live_host import LiveHost
from laneproof_collectors.questions import (
    Answer,
    FeatureValue,
    ListFolder,
    NvmeFeature,
    NvmeIdentify,
    NvmeLog,
    Question,
    ReadFile,
    ReadLink,
    ReadRange,
)
from laneproof_collectors.snapshot import Snapshot
from laneproof_collectors.unread import Unread
from simulation.box import SimulatedBox
from simulation.hardware import Drive, Port

DRIVES = (8, 24, 96, 384)
A_DOMAIN = 96  # drives that fit the bus numbers of one PCI domain in this simple tree
ROUNDS = 7


class TreeHost(LiveHost):
    """A tree of files whose drives answer from memory; it notes what it was asked of the tree."""

    def __init__(self, root: str, pages: dict[str, dict[str, object]]) -> None:
        super().__init__(root)
        self._pages = pages
        self.asked: list[Question] | None = None

    def ask(self, questions: Sequence[Question]) -> list[Answer]:
        if self.asked is not None:
            self.asked.extend(questions)
        return super().ask(questions)

    def _answer(self, question: Question) -> Answer:
        match question:
            case NvmeIdentify(controller):
                return self._page(controller, "identify")
            case NvmeLog(controller, log_id, length):
                page = self._page(controller, f"log:{log_id}")
                return page[:length] if isinstance(page, bytes) else page
            case NvmeFeature(controller, feature_id):
                data = self._page(controller, f"feature:{feature_id}:data")
                return FeatureValue(value=1, data=data) if isinstance(data, bytes) else data
            case _:
                return super()._answer(question)

    def _page(self, controller: str, key: str) -> bytes | Unread:
        page = self._pages.get(controller, {}).get(key)
        return page if isinstance(page, bytes) else Unread(f"{key} of {controller}", "not in the tree")


def lay_out(root: Path, drives: int) -> dict[str, dict[str, object]]:
    """Write the tree of a box with so many drives; give their pages."""
    pages: dict[str, dict[str, object]] = {}
    for domain, first in enumerate(range(0, drives, A_DOMAIN)):
        count = min(A_DOMAIN, drives - first)
        drives_here = [Drive(serial=f"FP4K-{first + number:05d}") for number in range(count)]
        ports = [
            Port(hop=f"{1 + number // 8:02x}.{number % 8}", slot_number=number, drive=drive)
            for number, drive in enumerate(drives_here)
        ]
        state = SimulatedBox(ports=ports).state()

        def rename(text: str, domain: int = domain, first: int = first) -> str:
            text = text.replace("pci0000:00", f"pci{domain:04x}:00").replace("/0000:", f"/{domain:04x}:")
            return re.sub(r"nvme(\d+)", lambda match: f"nvme{int(match[1]) + first}", text)

        for key in ("files", "binary", "links"):
            for path, content in state[key].items():
                target = root / rename(path)[1:]
                target.parent.mkdir(parents=True, exist_ok=True)
                if key != "links":
                    target.write_bytes(content.encode() if key == "files" else base64.b64decode(content))
                elif not target.is_symlink():
                    target.symlink_to(rename(content))
        for name, entries in state["nvme"].items():
            pages[rename(name)] = {
                key: base64.b64decode(value) if isinstance(value, str) else value for key, value in entries.items()
            }
    return pages


def folder_in_memory() -> tempfile.TemporaryDirectory[str]:
    """Make a folder of a tmpfs, where there is one."""
    memory = "/dev/shm"  # noqa: S108 (the folder in it has a name of its own)
    return tempfile.TemporaryDirectory(dir=memory if Path(memory).is_dir() else None)


def read_bare(root: str, asked: Sequence[Question]) -> None:
    """Make the bare system calls for what a pass asked."""
    for question in asked:
        try:
            match question:
                case ReadFile(path) | ReadRange(path):
                    descriptor = os.open(root + path, os.O_RDONLY | os.O_CLOEXEC)
                    os.read(descriptor, 4096)
                    os.close(descriptor)
                case ReadLink(path):
                    os.readlink(root + path)  # noqa: PTH115 (the bare call is what is measured)
                case ListFolder(path):
                    os.listdir(root + path)  # noqa: PTH208 (likewise)
                case _:
                    pass
        except OSError:
            pass


def best_of(act: Callable[[], object]) -> float:
    """Give the least processor time of some rounds: the rest is other people's noise."""
    times = []
    for _ in range(ROUNDS):
        start = time.process_time()
        act()
        times.append(time.process_time() - start)
    return min(times)


def measure(drives: int) -> str:
    """Give one line of the table."""
    with folder_in_memory() as root:
        host = TreeHost(root, lay_out(Path(root), drives))
        collectors = make_collectors()
        asked: list[Question] = []
        host.asked = asked
        snapshot = read_snapshot(host, collectors)
        host.asked = None
        bare = best_of(lambda: read_bare(root, asked))
        first = best_of(lambda: read_snapshot(host, make_collectors()))
        later = best_of(lambda: read_snapshot(host, collectors))
    build = declare(snapshot)
    engine = Engine(build)
    engine.observe(snapshot)
    rules = best_of(lambda: judge_all(Pass.of(build, replace(snapshot), engine.past)))
    passes = best_of(lambda: engine.observe(replace(snapshot)))
    figures = (len(asked), bare * 1e3, first * 1e3, later * 1e3, first / bare, later / bare, rules * 1e3, passes * 1e3)
    return "| {} | {} | {:.1f} | {:.1f} | {:.1f} | {:.2f} | {:.2f} | {:.1f} | {:.1f} |".format(drives, *figures)


def declare(snapshot: Snapshot) -> Build:
    """Declare every drive of a machine, so that the rules have all to compare."""
    functions = snapshot.functions
    bridges = () if isinstance(functions, Unread) else [function for function in functions if function.is_bridge]
    positions = [
        {
            "label": f"p{number}",
            "path": one.own_path,
            "link": {"generation": 4, "lanes": 4},
            "occupant": {"kind": "nvme", "role": "data", "capacity": "4 TB"},
        }
        for number, one in enumerate(bridges)
    ]
    return Build.model_validate({"schema": 1, "box": {"name": "bench"}, "position": positions})


def main() -> None:
    """Print the table."""
    print("| drives | questions | bare | first pass | later pass | first / bare | later / bare | rules | engine |")
    print("| --- | --- | --- | --- | --- | --- | --- | --- | --- |")
    for drives in DRIVES:
        print(measure(drives), flush=True)
    print("Processor time in ms, the least of", ROUNDS, "rounds.")


if __name__ == "__main__":
    main()
