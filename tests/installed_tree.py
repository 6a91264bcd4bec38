"""What packaging/install.sh makes, below a folder: built once, for all tests that look at it."""

import os
import subprocess
from functools import cache
from pathlib import Path
from tempfile import mkdtemp

import pytest

CHECKOUT = Path(__file__).resolve().parents[1]
PREFIX, SYSTEM = "opt/laneproof", "usr/local"


def install(root: Path, *arguments: str, **environment: str) -> subprocess.CompletedProcess[str]:
    """Run install.sh with everything below a folder."""
    return subprocess.run(
        ["sh", str(CHECKOUT / "packaging/install.sh"), *arguments],
        env={**os.environ, "DESTDIR": str(root), **environment},
        capture_output=True,
        text=True,
        check=False,
    )


@cache
def make_tree() -> Path:
    """Give the folder with an installed laneproof; skip where Python's packages cannot be had."""
    root = Path(mkdtemp(prefix="laneproof-tree-"))
    done = install(root)
    if "could not be fetched" in done.stderr or "needs Python" in done.stderr:
        pytest.skip(done.stderr.strip())
    assert done.returncode == 0, done.stderr
    return root
