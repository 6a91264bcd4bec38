"""What packaging/ builds: an installed tree and packages, made once for all tests that look at them."""

import atexit
import os
import shutil
import subprocess
from functools import cache
from pathlib import Path
from tempfile import mkdtemp

import pytest

CHECKOUT = Path(__file__).resolve().parents[2]
PREFIX, SYSTEM, SETTINGS = "opt/laneproof", "usr/local", "etc/laneproof/service.toml"
OWN_SETTINGS = "port = 7800 # ours\n"


def install(
    root: Path, *arguments: str, checkout: Path = CHECKOUT, **environment: str
) -> subprocess.CompletedProcess[str]:
    """Run install.sh with everything below a folder."""
    return subprocess.run(
        ["sh", str(checkout / "packaging/install.sh"), *arguments],
        env={**os.environ, "DESTDIR": str(root), **environment},
        capture_output=True,
        text=True,
        check=False,
        umask=0o077,  # as some set it for root: others must be able to run what is installed
    )


@cache
def make_tree() -> Path:
    """Give the folder with an installed laneproof, an older one having been there; skip where it cannot be built."""
    root = _make_folder()
    old = [f"{PREFIX}/old.py", f"{SYSTEM}/share/doc/laneproof/old/old.md"]
    texts = dict.fromkeys(old, "") | {f"{PREFIX}/installed-files": f"/{old[1]}\n", SETTINGS: OWN_SETTINGS}
    for name, text in texts.items():
        (root / name).parent.mkdir(parents=True, exist_ok=True)
        (root / name).write_text(text)
    _check(install(root))
    return root


@cache
def make_packages() -> Path:
    """Give the folder with what package.sh makes; skip where it cannot be built."""
    out = _make_folder()
    command = ["sh", str(CHECKOUT / "packaging/package.sh"), str(out)]
    _check(subprocess.run(command, capture_output=True, text=True, check=False))
    return out


def _make_folder() -> Path:
    folder = Path(mkdtemp(prefix="laneproof-built-"))
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    return folder


def _check(done: subprocess.CompletedProcess[str]) -> None:
    if "could not be fetched" in done.stderr or "needs Python" in done.stderr:
        pytest.skip(done.stderr.strip())
    assert done.returncode == 0, done.stderr
