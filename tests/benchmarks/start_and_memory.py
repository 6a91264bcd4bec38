"""What an audit takes of a processor, and what memory the daemon holds, each against the bare interpreter.

Run as ``python -m benchmarks.start_and_memory`` with ``tests`` on the path. The daemon is compared with an interpreter
that has imported the same outside modules (all that the daemon loads, less its own) and done nothing else.
"""

import os
import subprocess
import sys
import tempfile
import time
import urllib.request
from pathlib import Path

import psutil

from laneproof_collectors.questions import NvmeIdentify, ReadFile, ReadKernelLog
from laneproof_collectors.reader_host import ReaderHost

ROUNDS = 5
_LIST_MODULES = """
import sys
before = set(sys.modules)
import laneproof.commands.serve, pyudev
print(*(name for name in sys.modules if name not in before and not name.startswith("laneproof")))
"""
_LOAD_MODULES = """
import importlib, sys
for name in sys.argv[1:]:
    importlib.import_module(name)
from pydantic import BaseModel
print("loaded", flush=True)
input()
"""


def run_seconds(*command: str) -> float:
    """Give the least processor time of a process, which other work on the machine moves less than the clock's."""
    # the modules are compiled once, as an installation does
    environment = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
    times = []
    for _ in range(ROUNDS):
        with subprocess.Popen(command, stdout=subprocess.DEVNULL, env=environment) as process:
            _, status, usage = os.wait4(process.pid, 0)
            process.returncode = os.waitstatus_to_exitcode(status)
        times.append(usage.ru_utime + usage.ru_stime)
    return min(times)


def bare_resident_bytes() -> int:
    """Give what an interpreter with the same libraries holds."""
    listing = [sys.executable, "-c", _LIST_MODULES]
    listed = subprocess.run(listing, capture_output=True, encoding="utf-8", check=True).stdout.split()
    command = [sys.executable, "-c", _LOAD_MODULES, *(name for name in listed if name.isidentifier() or "." in name)]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE) as process:
        assert process.stdout is not None
        process.stdout.readline()
        resident = psutil.Process(process.pid).memory_info().rss
        process.kill()
    return resident


def daemon_resident_bytes(seconds: float) -> int:
    """Give what the daemon holds after some passes and some scrapes."""
    with tempfile.TemporaryDirectory() as state:
        command = [sys.executable, "-m", "laneproof.cli", "serve", "--listen", "127.0.0.1:0", "--state", state]
        with subprocess.Popen(command, stderr=subprocess.PIPE, encoding="utf-8") as process:
            assert process.stderr is not None
            address = next(line for line in process.stderr if "listening at" in line).split()[-1]
            end = time.monotonic() + seconds
            while time.monotonic() < end:
                time.sleep(0.5)
                with urllib.request.urlopen(f"{address}metrics") as reply:  # noqa: S310 (our own address)
                    reply.read()
            resident = psutil.Process(process.pid).memory_info().rss
            process.terminate()
            process.communicate()
    return resident


def reader_resident_bytes() -> int:
    """Give what the reader holds after some questions."""
    with tempfile.TemporaryDirectory() as folder:
        command = [sys.executable, "-m", "laneproof_collectors.reader", "--socket", f"{folder}/sock"]
        with subprocess.Popen(command) as process:
            while not Path(f"{folder}/sock").exists():
                time.sleep(0.05)
            host = ReaderHost(f"{folder}/sock")
            for _ in range(20):
                host.ask([NvmeIdentify("nvme0"), ReadFile("/sys/firmware/acpi/tables/FACP"), ReadKernelLog()])
            host.close()
            resident = psutil.Process(process.pid).memory_info().rss
            process.terminate()
    return resident


def main() -> None:
    """Print what was measured."""
    bare = run_seconds(sys.executable, "-c", "import pydantic; print('x')")
    audit = run_seconds(sys.executable, "-m", "laneproof.cli", "audit", "--demo")
    print(
        f"processor time: interpreter with pydantic {bare:.3f} s, audit --demo {audit:.3f} s, ratio {audit / bare:.2f}"
    )
    without, resident = bare_resident_bytes(), daemon_resident_bytes(20)
    mib, times = 2**20, resident / without
    print(f"resident: libraries {without / mib:.1f} MiB, daemon {resident / mib:.1f} MiB, ratio {times:.2f}")
    print(f"resident: reader {reader_resident_bytes() / mib:.1f} MiB")


if __name__ == "__main__":
    main()
