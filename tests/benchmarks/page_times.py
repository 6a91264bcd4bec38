"""How long the service takes to answer, and how much it sends, for boxes of 24 and of 96 drives, and for a position.

Run as ``python -m benchmarks.page_times`` with ``tests`` on the path. Each answer is asked for over a connection of its
own on the loopback address, compressed as a browser asks for it; the style sheet and the script are counted beside.
"""

import contextlib
import gzip
import http.client
import statistics
import time
from collections.abc import Callable, Iterator

from boxes.snapshot_box import Box, declare
from laneproof.commands.inputs import load_build, open_host
from laneproof.commands.serve import make_recording_daemon
from laneproof.declaration.build import Build
from laneproof.engine import Engine
from laneproof.service.http import Pages
from laneproof.service.listener import Server
from laneproof.service.status import DaemonStatus
from laneproof_collectors.collection import read_snapshot
from laneproof_collectors.snapshot import Snapshot

TIMES = 300
HISTORY_TIMES = 40


@contextlib.contextmanager
def serving(pages: Pages) -> Iterator[int]:
    """Answer on a free port."""
    server = Server("127.0.0.1", 0, pages)
    server.start()
    try:
        yield server.port
    finally:
        server.close()


def ask(port: int, path: str) -> tuple[float, bytes]:
    """Give how long an answer took, in milliseconds, and its body as it was sent."""
    began = time.perf_counter()
    with contextlib.closing(http.client.HTTPConnection("127.0.0.1", port, timeout=60)) as connection:
        connection.request("GET", path, headers={"Accept-Encoding": "gzip"})
        answer = connection.getresponse()
        body = answer.read()
    assert answer.status == 200, (path, body)
    return 1000 * (time.perf_counter() - began), body


def measure(port: int, path: str, times: int) -> str:
    """Give the median, the 99th percentile, what client and service compute, and the weight of an answer."""
    began = time.process_time()
    taken = [ask(port, path) for _ in range(times)]
    spent = 1000 * (time.process_time() - began) / times
    waits = [wait for wait, _ in taken]
    body = taken[-1][1]
    percentile = statistics.quantiles(waits, n=100, method="inclusive")[98]
    return (
        f"{path}: median {statistics.median(waits):.1f} ms, p99 {percentile:.1f} ms, {spent:.1f} ms of processor, "
        f"{len(gzip.decompress(body)) / 1000:.1f} kB, {len(body) / 1000:.1f} kB as sent"
    )


def publish_many(drives: int) -> Callable[[], DaemonStatus]:
    """Judge a box of so many drives."""
    paths = [f"0000:00/{number // 8 + 1:02x}.{number % 8}" for number in range(drives)]
    box = Box()
    for number, path in enumerate(paths, start=1):
        box.with_port(path).with_drive(path, serial=f"FN-{number}")
    rows = (f'[[position]]\nlabel = "bay-{number}"\npath = "{path}"\n' for number, path in enumerate(paths, start=1))
    return judge_once(declare("".join(rows)), box.snapshot())


def judge_once(build: Build | None, snapshot: Snapshot) -> Callable[[], DaemonStatus]:
    """Publish what one pass came to."""
    status = DaemonStatus(build=build, last_pass=Engine(build).observe(snapshot), complete=True)
    return lambda: status


def main() -> None:
    """Print what was measured."""
    for drives in (24, 96):
        with serving(Pages(publish_many(drives))) as port:
            weights = sum(len(gzip.decompress(ask(port, path)[1])) for path in ("/style.css", "/page.js"))
            print(f"{drives} drives; style sheet and script {weights / 1000:.1f} kB")
            for path in ("/metrics", "/"):
                print(" ", measure(port, path, TIMES))
    daemon, past = make_recording_daemon(None, None, None)
    with contextlib.closing(daemon):
        with open_host(None, demo=True) as host:
            publish = judge_once(load_build(None, demo=True), read_snapshot(host))
        with serving(Pages(publish, past=past)) as port:
            print("a position of the demo, with five months of history")
            for path in ("day", "month", "year"):
                print(" ", measure(port, f"/positions/riser-3?span={path}", HISTORY_TIMES))
            print(" ", measure(port, "/replace/riser-3", HISTORY_TIMES))


if __name__ == "__main__":
    main()
