"""Runs in the machine with a split slot and a switch card: reads all of it twice, by other tools and by the collectors.

Then the hardware changes under it, step by step: a critical warning, AER errors, a removal, an insertion elsewhere.
"""

import json
import struct
import subprocess
import sys
from pathlib import Path
from typing import Any

from vm.guest.steps import Steps, wait_until

DEVICES = Path("/sys/bus/pci/devices")
CONTROLLERS = Path("/sys/class/nvme")

RECEIVER_ERROR = 1  # PCI_ERR_COR_RCVR

LINK_ATTRIBUTES = ("current_link_speed", "current_link_width", "max_link_speed", "max_link_width")
POWER_ATTRIBUTES = ("power_state", "power/runtime_status", "power/control")


def run(*command: str) -> str:
    return subprocess.run(command, capture_output=True, text=True, check=False).stdout


def read(path: Path) -> str | None:
    try:
        return path.read_text(errors="backslashreplace")
    except OSError:
        return None


def controllers() -> list[str]:
    return sorted(path.name for path in CONTROLLERS.iterdir())


def live_controllers() -> list[str]:
    return [
        name for name in controllers() if read(CONTROLLERS / name / "state") == "live\n" and Path("/dev", name).exists()
    ]


def by_serial() -> dict[str, dict[str, str]]:
    """Give each live drive's name and PCI address by its serial number."""
    drives = {}
    for name in live_controllers():
        serial = (read(CONTROLLERS / name / "serial") or "").strip()
        drives[serial] = {"name": name, "address": (read(CONTROLLERS / name / "address") or "").strip()}
    return drives


def sysfs_attributes() -> dict[str, dict[str, str | None]]:
    names = (*LINK_ATTRIBUTES, *POWER_ATTRIBUTES)
    return {
        path.name: {name: read(path / name) for name in names} | {"place": str(path.resolve())}
        for path in sorted(DEVICES.iterdir())
    }


def smartctl(name: str) -> dict[str, Any]:
    """Ask smartctl, once through pySMART's own reading of it and once for its JSON."""
    from pySMART import Device  # noqa: PLC0415 (in the guest alone) (its import costs a second here)
    from pySMART.smartctl import SMARTCTL  # noqa: PLC0415 (in the guest alone)

    device = Device(f"/dev/{name}n1")  # the namespace, so that its capacity is known too
    attributes = vars(device.if_attributes)
    plain = {key: value for key, value in attributes.items() if isinstance(value, int | float | str | None)}
    lines, _ = SMARTCTL.generic_call(["--json=o", "-x", f"/dev/{name}"])
    return {
        "model": device.model,
        "serial": device.serial,
        "firmware": device.firmware,
        "bytes": device.size,
        "temperature": device.temperature,
        "attributes": plain,
        "json": json.loads("\n".join(lines)),
    }


def kernel_log() -> list[str]:
    return run("dmesg", "--raw").splitlines()


def error_at(address: str, bit: int) -> bytes:
    """Lay out a correctable error. Source: kernel drivers/pci/pcie/aer_inject.c, ``struct aer_error_inj``."""
    domain, *place = (int(part, 16) for part in address.replace(".", ":").split(":"))
    return struct.pack("<BBBxIIIIIII", *place, 0, bit, 0, 0, 0, 0, domain)


def inject_correctable(address: str, bit: int) -> None:
    """Let the kernel see an error."""

    def written() -> bool:
        try:
            Path("/dev/aer_inject").write_bytes(error_at(address, bit))
        except OSError:  # EBUSY: the interrupt of the one before is still being served
            return False
        return True

    if not wait_until(written):
        raise TimeoutError(f"no error could be injected at {address}")


def correctable(address: str) -> dict[str, int]:
    lines = (DEVICES / address / "aer_dev_correctable").read_text().split("\n")
    return {name: int(count) for name, count in (line.rsplit(" ", 1) for line in lines if line)}


def count_injected(facts: dict[str, Any], address: str, times: int) -> None:
    run("modprobe", "aer_inject")
    neighbours = [path.name for path in DEVICES.iterdir() if (path / "aer_dev_correctable").exists()]
    facts["before"] = {name: correctable(name) for name in neighbours}
    for wanted in range(1, times + 1):
        inject_correctable(address, RECEIVER_ERROR)
        wait_until(lambda: correctable(address)["RxErr"] >= wanted)  # noqa: B023 (called at once)
    facts["after"] = {name: correctable(name) for name in neighbours}
    facts["root_total"] = read(DEVICES / address / "aer_rootport_total_err_cor")
    facts["kernel_log"] = [line for line in kernel_log() if address in line]


def look(facts: dict[str, Any], drives: int) -> None:
    wait_until(lambda: len(live_controllers()) == drives)
    facts["drives"] = by_serial()
    facts["command_line"] = read(Path("/proc/cmdline"))
    facts["boot_id"] = read(Path("/proc/sys/kernel/random/boot_id"))
    facts["release"] = read(Path("/proc/sys/kernel/osrelease"))
    facts["aspm_policy"] = read(Path("/sys/module/pcie_aspm/parameters/policy"))
    facts["slots"] = {path.name: read(path / "address") for path in Path("/sys/bus/pci/slots").iterdir()}
    facts["sysfs"] = sysfs_attributes()
    facts["lspci"] = run("lspci", "-vv", "-nn", "-D")
    facts["identity"] = {name: read(Path("/sys/class/dmi/id", name)) for name in ("board_vendor", "board_name")}


def read_facts_into(facts: dict[str, Any]) -> None:
    from vm.guest.facts import read_facts  # noqa: PLC0415 (fenced: its failure is one step's)

    facts.update(read_facts())


def move_data(disk: str) -> None:
    """Read and write a little, so that the drive's counters are not all zero."""
    run("dd", f"if={disk}", "of=/dev/null", "bs=1M", "count=24", "iflag=direct")
    run("dd", "if=/dev/zero", f"of={disk}", "bs=1M", "count=8", "oflag=direct")


def main() -> None:
    steps = Steps()
    drives = int(sys.argv[1])
    with steps.fenced("look") as facts:
        look(facts, drives)
    for drive in by_serial().values():
        move_data(f"/dev/{drive['name']}n1")
    with steps.fenced("smartctl") as facts:
        facts.update({serial: smartctl(drive["name"]) for serial, drive in by_serial().items()})
    steps.play(("facts", read_facts_into))

    warned = steps.ask("set-warning", drives=by_serial())["serial"]
    with steps.fenced("warned") as facts:
        facts["smartctl"] = smartctl(by_serial()[warned]["name"])["json"]
    steps.play(
        ("facts-warned", read_facts_into),
        ("aer", lambda facts: count_injected(facts, sys.argv[2], 3)),
        ("facts-aer", read_facts_into),
    )

    removed = steps.ask("remove")["serial"]
    with steps.fenced("removed") as facts:
        facts["gone"] = wait_until(lambda: removed not in by_serial())
        facts["drives"] = by_serial()
        facts["kernel_log"] = kernel_log()[-20:]

    steps.ask("insert")
    with steps.fenced("inserted") as facts:
        facts["back"] = wait_until(lambda: removed in by_serial())
        facts["drives"] = by_serial()
        facts["kernel_log"] = kernel_log()[-20:]
    with steps.fenced("snapshot") as facts:
        from vm.guest.facts import read_everything  # noqa: PLC0415 (in the guest alone)

        facts.update(read_everything())
    steps.say("end")


if __name__ == "__main__":
    main()
