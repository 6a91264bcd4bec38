"""Runs in a machine that was booted with words the program advises, or warns of: what the kernel made of them."""

import errno
import os
import struct
import sys
from pathlib import Path
from typing import Any

from vm.guest.steps import Steps, wait_until
from vm.guest.whole_box import run

PORT = Path("/sys/bus/pci/devices", sys.argv[1])
DRIVE = "nvme0"
POLICY = Path("/sys/module/pcie_aspm/parameters/policy")
RECEIVER_ERROR = 1


def log() -> list[str]:
    """Read the kernel's log as it stands."""
    port = os.open("/dev/kmsg", os.O_RDONLY | os.O_NONBLOCK)
    lines = []
    while True:
        try:
            lines.append(os.read(port, 8192).decode(errors="replace").partition(";")[2].splitlines()[0])
        except BlockingIOError:
            return lines
        except OSError as error:
            if error.errno != errno.EPIPE:
                raise


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
    bus, device, function = (int(part, 16) for part in PORT.name.replace(".", ":").split(":")[1:])
    domain = int(PORT.name.split(":")[0], 16)
    error = struct.pack("<BBBxIIIIIII", bus, device, function, 0, RECEIVER_ERROR, 0, 0, 0, 0, domain)
    before = counted()
    try:
        Path("/dev/aer_inject").write_bytes(error)
    except OSError as refused:
        facts["refused"] = errno.errorcode[refused.errno or 0]
    else:
        facts["refused"] = ""
    facts["counted"] = bool(wait_until(lambda: counted() > before, seconds=3))


def main() -> None:
    steps = Steps()
    endpoint = wait_until(lambda: Path("/sys/class/nvme", DRIVE, "device").exists() and Path("/sys/class/nvme", DRIVE))
    drive = (endpoint / "device").resolve()
    with steps.fenced("words") as facts:
        facts["command_line"] = Path("/proc/cmdline").read_text()
        facts["log"] = log()
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
