"""axe-core, which judges a page by the rules of WCAG that a program can judge: fetched once, through npm, and checked.

Source: axe-core, MPL-2.0, https://www.npmjs.com/package/axe-core. It is used by tests alone and is no part of any page.
"""

import base64
import hashlib
import io
import json
import os
import shutil
import subprocess
import tarfile
from pathlib import Path

import pytest

VERSION = "4.10.2"
SHA_512 = "RE3mdQ7P3FRSe7eqCWoeQ/Z9QXrtniSjp1wUjt5nRC3WIpz5rSCve6o3fsZ2aCpJtrZjSZgjwXAoTO5k4tEI0w=="
"""As the registry publishes it."""
CACHE = Path(os.environ.get("LANEPROOF_CACHE", Path(__file__).resolve().parents[2] / ".cache"))
TAGS = ("wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa")
RUN = f"""
for (const folded of document.querySelectorAll("details")) folded.open = true;
axe.run(document, {{ runOnly: {{ type: "tag", values: {json.dumps(TAGS)} }} }}).then((found) => {{
  const say = (rule) => rule.id + ": " + rule.nodes.map((node) => node.target.join(" ")).join(", ");
  const data = document.documentElement.dataset;
  data.violations = found.violations.map(say).join("; ");
  data.incomplete = found.incomplete.map(say).join("; ");
  data.passes = found.passes.map((rule) => rule.id).join(" ");
}});
"""


def load_axe() -> bytes:
    """Give its script; without npm, or without the network, the test is skipped with the reason."""
    packed = CACHE / f"axe-core-{VERSION}.tgz"
    if not packed.exists():
        _fetch(packed)
    raw = packed.read_bytes()
    assert base64.b64encode(hashlib.sha512(raw).digest()).decode() == SHA_512, f"{packed} is not what was published"
    with tarfile.open(fileobj=io.BytesIO(raw)) as archive:
        script = archive.extractfile("package/axe.min.js")
        assert script is not None
        return script.read()


def _fetch(packed: Path) -> None:
    npm = shutil.which("npm")
    if npm is None:
        pytest.skip("npm, which fetches axe-core, is not installed")
    packed.parent.mkdir(parents=True, exist_ok=True)
    command = [npm, "pack", "--silent", f"axe-core@{VERSION}", "--pack-destination", str(packed.parent)]
    done = subprocess.run(command, capture_output=True, encoding="utf-8", timeout=120, check=False)
    if done.returncode or not packed.exists():
        pytest.skip(f"axe-core could not be fetched: {done.stderr.strip()[-200:]}")
