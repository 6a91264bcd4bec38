"""Runs in a machine with a real systemd and nothing of laneproof: installs the package, sets it up, upgrades it.

What it leaves behind is still there when the machine starts again, which `returned.py` sees.
"""

import contextlib
import os
import sqlite3
import sys
from pathlib import Path
from typing import Any

from vm.guest.served import OTHER_ADDRESS, fetch
from vm.guest.service import run, unit
from vm.guest.steps import Steps, wait_until

BUILD, SETTINGS = Path("/etc/laneproof/build.toml"), Path("/etc/laneproof/service.toml")
OTHER = f"http://{OTHER_ADDRESS}:7800"
BOOK = Path("/var/lib/dpkg-of-the-test")
# A book of its own: that of the host names a hundred thousand files, and its triggers renew the index of all manuals.
DPKG = ("dpkg", f"--admindir={BOOK}", "--force-depends", "--force-unsafe-io")
PLACES = (
    "/usr/bin/laneproof", "/usr/lib/laneproof", "/usr/lib/systemd/system/laneproof.service",
    "/etc/laneproof/build.toml", "/etc/laneproof/service.toml", "/etc/laneproof/notify.toml", "/etc/laneproof",
    "/var/lib/laneproof/history.db", "/var/lib/laneproof", "/var/lib/private/laneproof-notify",
    "/etc/systemd/system/laneproof.socket.d", "/etc/systemd/system/multi-user.target.wants/laneproof.service",
    "/etc/systemd/system/multi-user.target.wants/laneproof-notify.service",
)  # fmt: skip


def settle() -> None:
    wait_until(lambda: unit()["ActiveState"] != "activating", seconds=60, pause=0.2)


def there() -> list[str]:
    return [place for place in PLACES if Path(place).exists() or Path(place).is_symlink()]


def install(facts: dict[str, Any], package: str) -> None:
    for folder in ("info", "updates", "triggers"):
        (BOOK / folder).mkdir(parents=True, exist_ok=True)
    (BOOK / "status").touch()
    facts["dpkg"] = run(*DPKG, "-i", package)
    facts["unit"] = unit()


def setup(facts: dict[str, Any]) -> None:
    """Set the watch up, at an address and a port that the unit shuts unless it is asked to let it through."""
    run("ip", "link", "set", "lo", "up")
    run("ip", "address", "add", f"{OTHER_ADDRESS}/32", "dev", "lo")
    wish = ("--listen", f"{OTHER_ADDRESS}:7800", "--allow", "192.168.7.0/24")
    facts["setup"] = run("laneproof", "setup", "--yes", *wish)
    facts["enabled"] = run("systemctl", "is-enabled", "laneproof.service")["out"].strip()
    facts["unit"] = unit()
    facts["socket"] = run("systemctl", "show", "laneproof.socket", "-p", "IPAddressAllow", "-p", "Listen")
    facts["answers"] = {path: fetch(path, OTHER) for path in ("/ready", "/metrics", "/api/v1/audit")}
    facts["build"] = BUILD.read_text()
    facts["kept"] = count_kept()


def count_kept() -> dict[str, int]:
    """Count what the history holds, table by table."""
    with contextlib.closing(sqlite3.connect("file:/var/lib/laneproof/history.db?mode=ro", uri=True)) as history:
        names = [name for (name,) in history.execute("SELECT name FROM sqlite_master WHERE type = 'table'")]
        return {name: history.execute(f'SELECT count(*) FROM "{name}"').fetchone()[0] for name in names}  # noqa: S608 (its own tables)


def upgrade(facts: dict[str, Any], package: str) -> None:
    install(facts, package)
    settle()
    facts["unit"] = unit()
    facts["ready"] = fetch("/ready", OTHER)["status"]
    facts["build"] = BUILD.read_text()
    facts["kept"] = count_kept()


def main() -> None:
    old, new = sys.argv[1:]
    steps = Steps()
    with steps.fenced("install") as facts:
        install(facts, old)
    with steps.fenced("setup") as facts:
        setup(facts)
    with steps.fenced("upgrade") as facts:
        upgrade(facts, new)
    run("systemctl", "stop", "laneproof.service")
    os.sync()
    steps.say("end")


if __name__ == "__main__":
    main()
