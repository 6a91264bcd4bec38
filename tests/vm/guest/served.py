"""What a program in the machine asks the running service, and what it sees of the drives itself."""

import contextlib
import json
import time
import urllib.error
import urllib.request
from collections.abc import Callable
from pathlib import Path
from typing import Any

ADDRESS = "http://127.0.0.1:7766"
OTHER_ADDRESS = "192.168.7.2"
"""An address of the machine beside loopback."""
CONTROLLERS = Path("/sys/class/nvme")

Findings = list[dict[str, Any]]


def serials() -> set[str]:
    found = set()
    for controller in CONTROLLERS.iterdir():
        with contextlib.suppress(OSError):
            found.add((controller / "serial").read_text().strip())
    return found


def fetch(path: str, address: str = ADDRESS, *, seconds: float = 10.0) -> dict[str, Any]:
    """Ask the service; a refused connection is status 0."""
    began = time.monotonic()
    try:
        with urllib.request.urlopen(address + path, timeout=seconds) as answer:  # noqa: S310 (an http address of the test's)
            status, text, kind = answer.status, answer.read().decode(), answer.headers.get("Content-Type", "")
    except urllib.error.HTTPError as error:
        status, text, kind = error.code, error.read().decode(), ""
    except OSError as error:
        status, text, kind = 0, str(error), ""
    return {"status": status, "text": text, "type": kind, "seconds": round(time.monotonic() - began, 3)}


def findings() -> Findings:
    answer = fetch("/api/v1/audit")
    found: Findings = json.loads(answer["text"])["findings"] if answer["status"] == 200 else []
    return found


def has(rule: str, label: str) -> Callable[[Findings], bool]:
    return lambda found: any(finding["rule"] == rule and finding["position"] == label for finding in found)
