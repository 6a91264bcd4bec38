"""Runs real programs for a test: each with its log, waited for with patience, ended with the test."""

import contextlib
import json
import subprocess
import time
import urllib.error
import urllib.request
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from support.waiting import SERVICE_PATIENCE_SECONDS

ROOT = Path(__file__).resolve().parents[2]
PROMETHEUS = ROOT / "packaging" / "prometheus"
TOKEN = "0123456789abcdef"  # noqa: S105 (an example)


def promtool(*arguments: str, given: bytes = b"", folder: Path = PROMETHEUS) -> subprocess.CompletedProcess[str]:
    done = subprocess.run(["promtool", *arguments], input=given, capture_output=True, cwd=folder, check=False)
    return subprocess.CompletedProcess(done.args, done.returncode, done.stdout.decode(), done.stderr.decode())


def wait_for(what: Callable[[], Any], process: subprocess.Popen[bytes], log: Path) -> Any:  # noqa: ANN401 (an API's JSON)
    end = time.monotonic() + SERVICE_PATIENCE_SECONDS
    while time.monotonic() < end:
        assert process.poll() is None, log.read_text()[-2000:]
        with contextlib.suppress(urllib.error.URLError, ConnectionError):
            if found := what():
                return found
        time.sleep(0.2)
    raise AssertionError(log.read_text()[-2000:])


def get(address: str) -> bytes:
    asked = urllib.request.Request(address, headers={"Authorization": f"Bearer {TOKEN}"})  # noqa: S310 (our own address)
    with urllib.request.urlopen(asked, timeout=10) as answer:  # noqa: S310 (likewise)
        return bytes(answer.read())


def get_json(address: str) -> Any:  # noqa: ANN401 (an API's JSON)
    return json.loads(get(address))


@contextmanager
def running(log: Path, *command: str) -> Iterator[subprocess.Popen[bytes]]:
    with log.open("wb") as out, subprocess.Popen(command, stdout=out, stderr=out, cwd=log.parent) as process:
        try:
            yield process
        finally:
            process.terminate()
            try:
                process.wait(20)
            except subprocess.TimeoutExpired:
                process.kill()
