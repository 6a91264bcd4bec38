"""Runs in the machine with arrays, a bond and slow memory: makes them, breaks them, reads each twice at every stage."""

import subprocess
import time
from pathlib import Path
from typing import Any

from vm.boxes import BAD_SECTOR
from vm.guest.facts import read_whole_box
from vm.guest.steps import Steps, wait_until

OURS = ("52:54:00:00:01:01", "52:54:00:00:01:02")
THEIRS = ("52:54:00:00:02:01", "52:54:00:00:02:02")
POOL = Path("/run/pool")


class CommandFailedError(Exception):
    """A command that prepares the machine ended with an error."""


def run(*command: str) -> str:
    """Run a command that has to succeed."""
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    if done.returncode:
        raise CommandFailedError(f"{' '.join(command)}: {done.stderr.strip() or done.stdout.strip()}")
    return done.stdout


def ask(*command: str) -> str:
    """Run a command for what it prints, whatever its status."""
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    return done.stdout + done.stderr


def disks() -> dict[str, str]:
    """Give the disk of each drive by its serial number."""
    found = {}
    for disk in Path("/sys/block").glob("nvme*n1"):
        try:
            found[(disk / "device" / "serial").read_text().strip()] = disk.name
        except OSError:
            continue
    return found


def interfaces() -> dict[str, str]:
    return {
        (path / "address").read_text().strip(): path.name for path in Path("/sys/class/net").iterdir() if path.is_dir()
    }


def make_array(names: list[str]) -> None:
    devices = [f"/dev/{name}" for name in names]
    run("mdadm", "--create", "/dev/md0", "--run", "--level=5", "--raid-devices=4", "--assume-clean", *devices)
    wait_until(lambda: Path("/sys/block/md0/md/array_state").exists())


def make_pool(names: list[str]) -> None:
    devices = [f"/dev/{name}" for name in names]
    run("mkfs.btrfs", "-q", "-L", "reef", "-d", "raid1", "-m", "raid1", *devices)
    run("btrfs", "device", "scan")
    POOL.mkdir()
    run("mount", "-t", "btrfs", devices[0], str(POOL))


def make_bond() -> None:
    """Bond our two ends, and the two others as the partner, in a network namespace of its own."""
    names = interfaces()
    run("modprobe", "bonding", "max_bonds=0")
    run("ip", "netns", "add", "peer")
    options = ("type", "bond", "mode", "802.3ad", "lacp_rate", "fast", "miimon", "100")
    for mac in THEIRS:
        run("ip", "link", "set", names[mac], "netns", "peer")
    for where, bond, macs in (((), "bond0", OURS), (("-n", "peer"), "bond1", THEIRS)):
        run("ip", *where, "link", "add", bond, *options)
        for mac in macs:
            run("ip", *where, "link", "set", names[mac], "down")
            run("ip", *where, "link", "set", names[mac], "master", bond)
        run("ip", *where, "link", "set", bond, "up")


def ports_together() -> int:
    return int(Path("/sys/class/net/bond0/bonding/ad_num_ports").read_text())


def bond_speed() -> int:
    """Give the bond's speed, which counts the members in use: they come in one after the other."""
    return int(Path("/sys/class/net/bond0/speed").read_text())


def read_both_ways() -> dict[str, Any]:
    """Read the box through the collectors, and by the tools of each part."""
    return {
        "disks": disks(),
        "interfaces": interfaces(),
        "mdadm": ask("mdadm", "--detail", "/dev/md0"),
        "mdstat": Path("/proc/mdstat").read_text(),
        "bond": Path("/proc/net/bonding/bond0").read_text(),
        "links": ask("ip", "-json", "-details", "link"),
        "btrfs": ask("btrfs", "filesystem", "show", "--raw"),
        "btrfs_errors": ask("btrfs", "device", "stats", str(POOL)),
        "dmidecode": ask("dmidecode", "--type", "17"),
        "memory_kib": ask("free", "--kibi"),
        "facts": read_whole_box(),
    }


def new_lines(since: int) -> list[str]:
    return ask("dmesg", "--raw").splitlines()[since:]


def line_count() -> int:
    return len(ask("dmesg", "--raw").splitlines())


def main() -> None:
    steps = Steps()
    with steps.fenced("whole") as facts:
        wait_until(lambda: len(disks()) == 7)
        made = disks()
        make_bond()
        make_array([made[f"SWELL-000{number}"] for number in range(1, 5)])
        make_pool([made["REEF-0001"], made["REEF-0002"]])
        began = time.monotonic()
        wait_until(lambda: ports_together() == 2 and bond_speed() == 20000)
        facts["aggregated_after"] = time.monotonic() - began
        facts.update(read_both_ways())

    with steps.fenced("degraded") as facts:
        since = line_count()
        run("mdadm", "/dev/md0", "--fail", f"/dev/{made['SWELL-0003']}")
        facts["kernel_log"] = new_lines(since)
        facts.update(read_both_ways())

    with steps.fenced("unreadable-sector") as facts:
        since = line_count()
        facts["dd"] = ask(
            "dd",
            f"if=/dev/{made['WORN-0001']}",
            "of=/dev/null",
            "bs=4096",
            f"skip={BAD_SECTOR // 8}",
            "count=1",
            "iflag=direct",
        )
        facts["kernel_log"] = new_lines(since)

    with steps.fenced("not-aggregated") as facts:
        since = line_count()
        run("ip", "-n", "peer", "link", "set", peer_name(), "nomaster")
        run("ip", "-n", "peer", "link", "set", peer_name(), "up")
        wait_until(lambda: ports_together() == 1)
        facts["kernel_log"] = new_lines(since)
        facts.update(read_both_ways())

    run("umount", str(POOL))
    steps.ask("remove-from-pool")
    with steps.fenced("pool-missing") as facts:
        wait_until(lambda: "REEF-0002" not in disks())
        run("btrfs", "device", "scan", "--forget")
        run("mount", "-t", "btrfs", "-o", "degraded", f"/dev/{made['REEF-0001']}", str(POOL))
        facts.update(read_both_ways())

    steps.ask("remove-from-array")
    with steps.fenced("array-failed") as facts:
        wait_until(lambda: "SWELL-0004" not in disks())
        since = line_count()
        ask("dd", "if=/dev/md0", "of=/dev/null", "bs=1M", "count=4", "iflag=direct")
        facts["kernel_log"] = new_lines(since)
        facts.update(read_both_ways())
    steps.say("end")


def peer_name() -> str:
    """Find the name of the partner's second end, which only its own namespace knows."""
    for line in run("ip", "-n", "peer", "-oneline", "link").splitlines():
        if THEIRS[1] in line and "bond1:" not in line:
            return line.split(": ")[1].split("@")[0]
    raise CommandFailedError(f"no interface {THEIRS[1]} in the partner's namespace")


if __name__ == "__main__":
    main()
