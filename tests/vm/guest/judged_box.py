"""Runs in the machine with arrays, a bond and slow memory: the service judges them while they are made and broken."""

import json
import subprocess
import sys
import urllib.request
from collections.abc import Callable
from pathlib import Path
from typing import Any

from vm.guest.steps import Steps, wait_until
from vm.guest.whole_box import (
    POOL,
    ask,
    disks,
    interfaces,
    make_array,
    make_bond,
    make_pool,
    peer_name,
    ports_together,
    run,
)

ADDRESS = "127.0.0.1:7766"
BUILD, SETTINGS, STATE = Path("/run/build.toml"), Path("/run/service.toml"), Path("/run/state")
LEVELS = (0, 1, 4, 5, 6, 10)
SLOW_KIB, FAST_KIB = 4000, 2_000_000
"""What md may rebuild a second: slow enough to be seen at work, and as fast as it can."""
OURS = ("52:54:00:00:01:01", "52:54:00:00:01:02")

Findings = list[dict[str, Any]]

PROGRAM = (sys.executable, "-c", "import sys; from laneproof.cli import main; sys.exit(main())")


def declare(members: tuple[str, str]) -> str:
    positions = "".join(
        f'[[position]]\nlabel = "bay-{number}"\npath = "0000:00/04.{number}"\n'
        f'occupant = {{ kind = "nvme", serial = "SWELL-000{number}" }}\n'
        for number in range(1, 5)
    )
    return f"""\
schema = 1
[box]
name = "kelp-1"
undeclared = "ignore"
{positions}
[[array]]
name = "md0"
level = "raid5"
members = ["bay-1", "bay-2", "bay-3", "bay-4"]
scrub_every_days = 30
[[bond]]
name = "bond0"
mode = "802.3ad"
members = {json.dumps(members)}
member_speed_mbit_s = 10000
"""


def limit_sync(kib: int) -> None:
    for name in ("speed_limit_max", "speed_limit_min"):
        Path("/proc/sys/dev/raid", name).write_text(str(kib))


def findings() -> Findings:
    try:
        with urllib.request.urlopen(f"http://{ADDRESS}/api/v1/audit", timeout=10) as answer:
            found: Findings = json.loads(answer.read())["findings"]
    except OSError:
        return []
    return found


def watch(until: Callable[[Findings], object], *, seconds: float = 40) -> dict[str, Any]:
    """Wait until the service says so; give what it says then."""
    reported = wait_until(lambda: until(findings()), seconds=seconds, pause=0.3)
    return {"reported": bool(reported), "findings": findings()}


def says(rule: str, subject: str, words: str = "") -> Callable[[Findings], bool]:
    return lambda found: any(
        finding["rule"] == rule and subject in (finding["subject"], finding["position"]) and words in finding["summary"]
        for finding in found
    )


def is_silent(*rules: str) -> Callable[[Findings], bool]:
    return lambda found: not any(finding["rule"] in rules for finding in found)


def measure_levels(facts: dict[str, Any], devices: list[str]) -> None:
    """Make an array of each level of the same four drives, and note what mdadm makes of it."""
    facts["drive_bytes"] = int(Path("/sys/block", Path(devices[0]).name, "size").read_text()) * 512
    for level in LEVELS:
        run("mdadm", "--create", "/dev/md9", "--run", f"--level={level}", "--raid-devices=4",
            *(["--assume-clean"] if level else []), *devices)  # fmt: skip
        facts[f"raid{level}"] = {
            "mdadm": run("mdadm", "--detail", "/dev/md9"),
            "bytes": int(Path("/sys/block/md9/size").read_text()) * 512,
        }
        run("mdadm", "--stop", "/dev/md9")
        run("mdadm", "--zero-superblock", *devices)


def break_and_mend(steps: Steps, made: dict[str, str]) -> None:
    third = f"/dev/{made['SWELL-0003']}"
    with steps.fenced("failed") as facts:
        run("mdadm", "/dev/md0", "--fail", third)
        facts.update(watch(says("array-degraded", "md0")))

    with steps.fenced("rebuilding") as facts:
        limit_sync(SLOW_KIB)
        run("mdadm", "/dev/md0", "--remove", third)
        run("mdadm", "--zero-superblock", third)
        run("mdadm", "/dev/md0", "--add", third)
        facts.update(watch(says("array-rebuilding", "md0", "left at this pace")))
        limit_sync(FAST_KIB)

    with steps.fenced("mended") as facts:
        facts.update(watch(is_silent("array-degraded", "array-rebuilding")))

    with steps.fenced("checked") as facts:
        limit_sync(SLOW_KIB)
        Path("/sys/block/md0/md/sync_action").write_text("check")
        wait_until(lambda: Path("/sys/block/md0/md/sync_action").read_text().strip() == "idle", seconds=60, pause=0.5)
        facts.update(watch(is_silent("array-scrub-overdue"), seconds=20))
        facts["mismatches"] = Path("/sys/block/md0/md/mismatch_cnt").read_text().strip()
        limit_sync(FAST_KIB)

    with steps.fenced("failed-again") as facts:
        run("mdadm", "/dev/md0", "--fail", third)
        facts.update(watch(says("array-degraded", "md0")))

    steps.ask("remove-from-array")
    with steps.fenced("emptied") as facts:
        facts.update(watch(says("position-empty", "bay-4")))
    with steps.fenced("array-failed") as facts:
        ask("dd", "if=/dev/md0", "of=/dev/null", "bs=1M", "count=4", "iflag=direct")
        facts.update(watch(says("array-degraded", "md0", "has failed")))


def main() -> None:
    steps = Steps()
    with steps.fenced("levels") as facts:
        wait_until(lambda: len(disks()) == 7)
        made = disks()
        swell = [made[f"SWELL-000{number}"] for number in range(1, 5)]
        measure_levels(facts, [f"/dev/{name}" for name in swell])

    names = interfaces()
    BUILD.write_text(declare((names[OURS[0]], names[OURS[1]])))
    SETTINGS.write_text("[intervals]\narrays = 2\nbonds = 2\ninterfaces = 2\n")
    make_bond()
    make_array(swell)
    make_pool([made["REEF-0001"], made["REEF-0002"]])
    wait_until(lambda: ports_together() == 2)
    options = ("--build", str(BUILD), "--state", str(STATE), "--config", str(SETTINGS), "--listen", ADDRESS)
    service = subprocess.Popen((*PROGRAM, "serve", *options))
    with steps.fenced("whole") as facts:
        facts.update(watch(says("memory-slow", "memory rate"), seconds=60))
        facts["settled"] = watch(is_silent("bond-incomplete"))["reported"]
        facts["audit"] = json.loads(ask(*PROGRAM, "audit", "--build", str(BUILD), "--json"))
        facts["findings"] = findings()

    with steps.fenced("not-aggregated") as facts:
        run("ip", "-n", "peer", "link", "set", peer_name(), "nomaster")
        run("ip", "-n", "peer", "link", "set", peer_name(), "up")
        facts.update(watch(says("bond-incomplete", "bond0")))
        facts["together"] = ports_together()

    break_and_mend(steps, made)

    run("umount", str(POOL))
    steps.ask("remove-from-pool")
    with steps.fenced("pool-missing") as facts:
        wait_until(lambda: "REEF-0002" not in disks())
        run("btrfs", "device", "scan", "--forget")
        run("mount", "-t", "btrfs", "-o", "degraded", f"/dev/{made['REEF-0001']}", str(POOL))
        facts.update(watch(says("array-degraded", "reef")))

    service.terminate()
    steps.say("stopped", status=service.wait(timeout=20))
    steps.say("end")


if __name__ == "__main__":
    main()
