"""Runs in a machine that was booted with words the program advises, or warns of: what the kernel made of them."""

import contextlib
import errno
import sys
from pathlib import Path
from typing import Any

from vm.guest.split_slot import RECEIVER_ERROR, error_at, kernel_log
from vm.guest.steps import Steps, wait_until
from vm.guest.whole_box import run

PORT = Path("/sys/bus/pci/devices", sys.argv[1])
DRIVE = "nvme0"
POLICY = Path("/sys/module/pcie_aspm/parameters/policy")


def services() -> dict[str, str]:
    """Give the drivers of the port's services, by the service's number in the standard's order."""
    found = Path("/sys/bus/pci_express/devices").glob(f"{PORT.name}:*")
    return {service.name: (service / "driver").resolve().name for service in found if (service / "driver").exists()}


def rests(drive: Path) -> str:
    """Say whether the kernel lets the link rest, by its own account: the emulated registers cannot be written."""
    try:
        return (drive / "link/l0s_aspm").read_text().strip()
    except OSError as error:
        return errno.errorcode[error.errno or 0]


def write(path: Path, value: str) -> str:
    try:
        path.write_text(value)
    except OSError as error:
        return errno.errorcode[error.errno or 0]
    return ""


def counted() -> int:
    try:
        lines = (PORT / "aer_dev_correctable").read_text().splitlines()
    except OSError:
        return -1
    return next(int(line.split()[1]) for line in lines if line.startswith("RxErr"))


def inject(facts: dict[str, Any]) -> None:
    """Let the port see one receiver error."""
    run("modprobe", "aer_inject")
    before = counted()
    with contextlib.suppress(OSError):  # refused where nobody handles errors
        Path("/dev/aer_inject").write_bytes(error_at(PORT.name, RECEIVER_ERROR))
    facts["counted"] = bool(wait_until(lambda: counted() > before, seconds=3))


def main() -> None:
    steps = Steps()
    endpoint = wait_until(lambda: Path("/sys/class/nvme", DRIVE, "device").exists() and Path("/sys/class/nvme", DRIVE))
    drive = (endpoint / "device").resolve()
    with steps.fenced("words") as facts:
        facts["command_line"] = Path("/proc/cmdline").read_text()
        facts["log"] = kernel_log()
        facts["services"] = services()
        facts["policy"] = POLICY.read_text()
        facts["latency"] = Path("/sys/module/nvme_core/parameters/default_ps_max_latency_us").read_text()
        facts["switches"] = sorted(switch.name for switch in (drive / "link").glob("*"))
    with steps.fenced("error") as facts:
        inject(facts)
    with steps.fenced("policy") as facts:
        facts["rests"] = write(drive / "link/l0s_aspm", "1"), write(POLICY, "powersave"), rests(drive)
        facts["performs"] = write(POLICY, "performance"), rests(drive)
    with steps.fenced("switch") as facts:
        facts["rests"] = write(POLICY, "powersave"), rests(drive)
        facts["switched_off"] = write(drive / "link/l0s_aspm", "0"), rests(drive)
    steps.say("end")


if __name__ == "__main__":
    main()
