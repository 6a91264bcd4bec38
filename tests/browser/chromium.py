"""Drives a real headless Chromium by its own command line: what it made of a page, how it looks, and what it asked for.

Every address but the loopback one is mapped to nowhere, and the browser's own network log says what a page asked for.
"""

import json
import os
import shutil
import struct
import subprocess
import tempfile
import zlib
from dataclasses import dataclass
from pathlib import Path

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


@dataclass(frozen=True, slots=True, kw_only=True)
class Picture:
    """A screenshot: eight bits each of red, green and blue a pixel."""

    width: int
    height: int
    rows: tuple[bytes, ...]

    def pixel(self, x: int, y: int) -> tuple[int, int, int]:
        red, green, blue = self.rows[y][3 * x : 3 * x + 3]
        return red, green, blue

    def share_of(self, colour: tuple[int, int, int], *, within: int = 6) -> float:
        """Give the share of pixels that are nearly of a colour; every third of every third row is looked at."""
        near = seen = 0
        for row in self.rows[::3]:
            for at in range(0, len(row) - 2, 9):
                seen += 1
                near += all(abs(row[at + part] - colour[part]) <= within for part in range(3))
        return near / seen


def photograph(address: str, *switches: str, width: int, height: int) -> Picture:
    """Take a screenshot of a window."""
    with tempfile.TemporaryDirectory(prefix="lp-") as folder:
        file = Path(folder) / "page.png"
        visit(f"--screenshot={file}", f"--window-size={width},{height}", *switches, address=address)
        return _read_png(file.read_bytes())


def _read_png(raw: bytes) -> Picture:
    """Read a PNG without interlace. Source: PNG specification (ISO/IEC 15948), 5.3 chunks, 9 filters."""
    assert raw[:8] == b"\x89PNG\r\n\x1a\n"
    chunks: dict[bytes, bytes] = {}
    at = 8
    while at < len(raw):
        (size,) = struct.unpack_from(">I", raw, at)
        name = raw[at + 4 : at + 8]
        chunks[name] = chunks.get(name, b"") + raw[at + 8 : at + 8 + size]
        at += size + 12
    width, height, depth, kind, _, _, interlace = struct.unpack(">IIBBBBB", chunks[b"IHDR"])
    parts = {2: 3, 6: 4}[kind]
    assert (depth, interlace) == (8, 0)
    data = zlib.decompress(chunks[b"IDAT"])
    rows, before = [], bytes(width * parts)
    for number in range(height):
        start = number * (width * parts + 1)
        before = _unfilter(data[start], data[start + 1 : start + 1 + width * parts], before, parts)
        rows.append(before)
    if parts == 4:
        rows = [b"".join(row[at : at + 3] for at in range(0, len(row), 4)) for row in rows]
    return Picture(width=width, height=height, rows=tuple(rows))


def _unfilter(kind: int, row: bytes, above: bytes, step: int) -> bytes:
    out = bytearray(row)
    for index in range(len(out)):
        left = out[index - step] if index >= step else 0
        up = above[index]
        corner = above[index - step] if index >= step else 0
        guess = (0, left, up, (left + up) // 2, _paeth(left, up, corner))[kind]
        out[index] = (out[index] + guess) & 0xFF
    return bytes(out)


def _paeth(left: int, up: int, corner: int) -> int:
    guess = left + up - corner
    far = (abs(guess - left), abs(guess - up), abs(guess - corner))
    return (left, up, corner)[far.index(min(far))]
