"""What 1,000 slow clients and 10,000 requests do to the schedule of the readings, with few files to be had.

Run as ``python -m benchmarks.listener_load`` with ``tests`` on the path. The daemon may open 256 files. How far apart
its readings of the PCI functions are, which it is to make every two seconds, is taken at rest and under the load.
"""

import contextlib
import http.client
import itertools
import resource
import socket
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import psutil
from prometheus_client.parser import text_string_to_metric_families

EVERY_SECONDS, MEASURED_SECONDS = 2.0, 40.0
SLOW_CLIENTS, REQUESTS, ASKERS, FILES = 1000, 10_000, 4, 256


@contextlib.contextmanager
def serving(folder: Path) -> Iterator[tuple[psutil.Process, int]]:
    """Run the daemon with few files; gives its process and port."""
    (folder / "service.toml").write_text(f"[intervals]\nfunctions = {EVERY_SECONDS}\n")
    command = [
        sys.executable, "-m", "laneproof.cli", "serve", "--listen", "127.0.0.1:0", "--state", str(folder / "state"),
        "--config", str(folder / "service.toml"),
    ]  # fmt: skip
    with subprocess.Popen(command, stderr=subprocess.PIPE, encoding="utf-8") as process:
        resource.prlimit(process.pid, resource.RLIMIT_NOFILE, (FILES, FILES))
        assert process.stderr is not None
        port = next(int(line.rstrip("/\n").rpartition(":")[2]) for line in process.stderr if "listening at" in line)
        threading.Thread(target=process.stderr.read, daemon=True).start()
        try:
            yield psutil.Process(process.pid), port
        finally:
            process.terminate()


def ask(port: int) -> str:
    """Give the metrics."""
    with contextlib.closing(http.client.HTTPConnection("127.0.0.1", port, timeout=60)) as connection:
        connection.request("GET", "/metrics")
        return connection.getresponse().read().decode()


def read_time(port: int) -> float | None:
    """Give when the functions were read last."""
    for family in text_string_to_metric_families(ask(port)):
        if family.name == "laneproof_reading_timestamp_seconds":
            return next((each.value for each in family.samples if each.labels["reading"] == "functions"), None)
    return None


def measure(port: int, process: psutil.Process, may_end: Callable[[], bool]) -> str:
    """Follow the readings; gives the mean and the longest time between two, and what the daemon holds."""
    times: list[float] = []
    waits: list[float] = []
    begin, threads, files = time.monotonic(), 0, 0
    while time.monotonic() - begin < MEASURED_SECONDS or not may_end():
        asked = time.monotonic()
        at = read_time(port)
        waits.append(time.monotonic() - asked)
        if at is not None and (not times or at > times[-1]):
            times.append(at)
        threads, files = max(threads, process.num_threads()), max(files, process.num_fds())
        time.sleep(0.25)
    apart = [after - before for before, after in itertools.pairwise(times)]
    return (
        f"{len(apart)} readings, {sum(apart) / len(apart):.3f} s apart, at most {max(apart):.3f} s; "
        f"a scrape took at most {max(waits):.2f} s; at most {threads} threads and {files} files"
    )


def be_slow(port: int, ends: threading.Event) -> None:
    """Keep many connections open that send a byte now and then and never a whole request."""
    held: list[socket.socket] = []
    while not ends.is_set():
        while len(held) < SLOW_CLIENTS and not ends.is_set():
            client = socket.socket()
            client.setblocking(False)  # noqa: FBT003 (the library has no name for it)
            client.connect_ex(("127.0.0.1", port))
            held.append(client)
        for client in [*held]:
            try:
                client.send(b"G")
            except BlockingIOError:
                continue
            except OSError:
                client.close()
                held.remove(client)
        time.sleep(0.5)
    for client in held:
        client.close()


def ask_often(port: int, failed: list[int]) -> None:
    """Ask for the metrics again and again."""
    for _ in range(REQUESTS // ASKERS):
        try:
            ask(port)
        except (OSError, http.client.HTTPException):
            failed.append(1)


def main() -> None:
    """Print what was measured."""
    resource.setrlimit(resource.RLIMIT_NOFILE, (4096, 4096))
    with tempfile.TemporaryDirectory() as made, serving(Path(made)) as (process, port):
        while read_time(port) is None:
            time.sleep(0.5)
        print("at rest:", measure(port, process, lambda: True))
        ends = threading.Event()
        failed: list[int] = []
        slow = threading.Thread(target=be_slow, args=(port, ends))
        askers = [threading.Thread(target=ask_often, args=(port, failed)) for _ in range(ASKERS)]
        for thread in (slow, *askers):
            thread.start()
        print("under load:", measure(port, process, lambda: not any(thread.is_alive() for thread in askers)))
        ends.set()
        slow.join()
        print(f"of {REQUESTS} requests {len(failed)} failed")


if __name__ == "__main__":
    main()
