"""Many boxes: declarations that are pushed, and what one real Prometheus makes of a fleet."""

import hashlib
import os
import subprocess
import sys
from pathlib import Path

import pytest

from real_services import PROMETHEUS, ROOT, promtool

PUSH = ROOT / "packaging" / "fleet" / "push-declarations.sh"
# What ssh does, without a network: it joins its arguments and gives them to the login shell of the host.
SSH = """#!/bin/sh
host=${3#root@}
[ -d "$BOXES/$host" ] || { echo "ssh: Could not resolve hostname $host" >&2; exit 255; }
shift 3
command=$(printf '%s' "$*" | sed "s|/etc/laneproof|$BOXES/$host|")
if [ "$host" = broken-off ]; then head -c 20 | sh -c "$command"; else sh -c "$command"; fi
"""


class Hosts:
    """Some hosts that can be reached, and the declarations that are to be on them."""

    def __init__(self, folder: Path) -> None:
        self.wanted, self.boxes, self.rules = folder / "wanted", folder / "boxes", folder / "declarations.yml"
        (self.bin, *_) = folders = (folder / "bin", self.wanted, self.boxes)
        for each in folders:
            each.mkdir()
        for name, text in {
            "ssh": SSH,
            "laneproof": f'#!/bin/sh\nexec {sys.executable} -m laneproof.cli "$@"\n',
        }.items():
            (self.bin / name).write_text(text)
            (self.bin / name).chmod(0o755)

    def add(self, host: str, *, has: str | None = None, is_reached: bool = True) -> Path:
        (self.wanted / f"{host}.toml").write_text(f'schema = 1\nbox.name = "{host}"\n')
        if is_reached:
            (self.boxes / host).mkdir()
            if has is not None:
                (self.boxes / host / "build.toml").write_text(has)
        return self.boxes / host

    def push(self) -> subprocess.CompletedProcess[str]:
        path = f"{self.bin}:{os.environ['PATH']}"
        return subprocess.run(
            ["sh", PUSH, self.wanted, self.rules],
            env={**os.environ, "PATH": path, "BOXES": str(self.boxes)},
            capture_output=True,
            encoding="utf-8",
            check=False,
        )


@pytest.fixture
def hosts(tmp_path: Path) -> Hosts:
    return Hosts(tmp_path)


def test_each_box_gets_its_own_declaration_and_keeps_the_one_before(hosts: Hosts) -> None:
    new, changed = hosts.add("kelp-1"), hosts.add("kelp-2", has="# by hand\n")
    same = hosts.add("kelp-3", has='schema = 1\nbox.name = "kelp-3"\n')
    away = hosts.add("kelp-4", is_reached=False)
    cut = hosts.add("broken-off", has="# whole\n")
    inode = (same / "build.toml").stat().st_ino
    done = hosts.push()
    assert done.returncode == os.EX_UNAVAILABLE
    assert [line for line in done.stderr.splitlines() if "does not have it" in line] == [
        "broken-off: does not have it",
        "kelp-4: does not have it",
    ]
    assert done.stdout.splitlines() == ["kelp-1: has it", "kelp-2: has it", "kelp-3: has it"]
    for box in (new, changed, same):
        assert (box / "build.toml").read_text() == (hosts.wanted / f"{box.name}.toml").read_text()
    assert (changed / "build.toml.before").read_text() == "# by hand\n"
    assert [file.name for file in (*new.iterdir(), *same.iterdir())] == ["build.toml", "build.toml"]
    assert (same / "build.toml").stat().st_ino == inode  # not touched, so not read again
    assert not away.exists()
    assert (cut / "build.toml").read_text() == "# whole\n"


@pytest.mark.services("promtool")
def test_prometheus_is_given_the_checksum_of_each(hosts: Hosts) -> None:
    for host in ("kelp-1", "kelp-2"):
        hosts.add(host)
    assert hosts.push().returncode == 0
    done = promtool("check", "rules", str(hosts.rules))
    assert "2 rules found" in done.stdout, done.stdout + done.stderr
    for file in hosts.wanted.iterdir():
        checksum = hashlib.sha256(file.read_bytes()).hexdigest()
        assert f'labels: {{ box: "{file.stem}", checksum: "{checksum}" }}' in hosts.rules.read_text()


@pytest.mark.parametrize("text", ["schema = 1\n", 'schema = 1\nbox.name = "tern-2"\n'])
def test_where_one_is_wrong_none_is_pushed(hosts: Hosts, text: str) -> None:
    first = hosts.add("kelp-1")
    hosts.add("kelp-2")
    (hosts.wanted / "kelp-2.toml").write_text(text)
    done = hosts.push()
    assert done.returncode == os.EX_DATAERR
    assert "kelp-2.toml" in done.stderr
    assert [*first.iterdir()] == []
    assert not hosts.rules.exists()


@pytest.mark.services("promtool")
def test_the_example_for_prometheus_is_valid(tmp_path: Path) -> None:
    for name in ("laneproof-alerts.yml", "laneproof-fleet-alerts.yml", "laneproof-boxes.yml"):
        (tmp_path / name).write_bytes((PROMETHEUS / name).read_bytes())
    for name, text in {"laneproof-token": "x", "laneproof-declarations.yml": "groups: []\n"}.items():
        (tmp_path / name).write_text(text)
    (tmp_path / "prometheus.yml").write_bytes((PROMETHEUS / "prometheus-example.yml").read_bytes())
    done = promtool("check", "config", "prometheus.yml", folder=tmp_path)
    assert done.returncode == 0, done.stdout + done.stderr
