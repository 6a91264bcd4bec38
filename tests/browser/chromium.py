"""Drives a real headless Chromium by its own command line: what it made of a page, how it looks, and what it asked for.

Every address but the loopback one is mapped to nowhere, and the browser's own network log says what a page asked for.
"""

import json
import os
import shutil
import subprocess
import tempfile
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from PIL import Image

NAMES = ("chromium", "chromium-browser", "google-chrome")
PATIENCE_SECONDS = 120
SWITCHES = (
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--hide-scrollbars",
    "--disable-background-networking", "--disable-component-update", "--disable-sync", "--disable-default-apps",
    "--disable-extensions", "--host-resolver-rules=MAP * ~NOTFOUND, EXCLUDE 127.0.0.1",
)  # fmt: skip
DARK = "--blink-settings=preferredColorScheme=0"


@dataclass(frozen=True, slots=True, kw_only=True)
class Visit:
    """What one visit gave.

    Attributes:
        out: The document as it stood at the end.
        asked: Every address that the page itself asked for, in order: not the first, nor the browser's own affairs.
    """

    out: str
    asked: tuple[str, ...]


def visit(*switches: str, address: str, zone: str = "UTC") -> Visit:
    """Open an address with a profile and a time zone of its own, and note each address that was asked for."""
    program = next(filter(None, map(shutil.which, NAMES)))
    with tempfile.TemporaryDirectory(prefix="lp-") as folder:
        log = Path(folder) / "net.json"
        command = [program, *SWITCHES, f"--user-data-dir={folder}/profile", f"--log-net-log={log}", *switches, address]
        done = subprocess.run(
            command, capture_output=True, encoding="utf-8", timeout=PATIENCE_SECONDS, check=False,
            env=os.environ | {"TZ": zone},
        )  # fmt: skip
        assert done.returncode == 0, done.stderr
        return Visit(out=done.stdout, asked=tuple(_read_requests(log.read_text())))


def _read_requests(log: str) -> list[str]:
    """Give the addresses of the browser's own network log whose initiator is a page."""
    asked = []
    for event in json.loads(log)["events"]:
        parameters = event.get("params") or {}
        if str(parameters.get("initiator", "not an origin")) != "not an origin":
            asked.append(str(parameters["url"]))
    return asked


def photograph(address: str, *switches: str, width: int, height: int) -> Image.Image:
    """Take a screenshot of a window."""
    with tempfile.TemporaryDirectory(prefix="lp-") as folder:
        file = Path(folder) / "page.png"
        visit(f"--screenshot={file}", f"--window-size={width},{height}", *switches, address=address)
        with Image.open(file) as taken:
            return taken.convert("RGB")


def share_of(colour: tuple[int, int, int], picture: Image.Image, *, within: int = 6) -> float:
    """Give the share of pixels that are nearly of a colour; every third of every third row is looked at."""
    off = np.abs(np.asarray(picture, dtype=int)[::3, ::3] - colour)
    return float((off.max(axis=2) <= within).mean())
