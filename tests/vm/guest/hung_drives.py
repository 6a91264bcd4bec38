"""Runs in a machine of eight drives: a service watches them while all but one stop answering, and come back.

A drive stops to answer when its function may not reach the memory any more: its commands lie there and it never sees
them. The kernel waits for an admin command for a minute, then resets the drive, which lets it reach the memory again.
"""

import contextlib
import grp
import io
import json
import os
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

from vm.guest.served import Findings, fetch, findings
from vm.guest.split_slot import by_serial, kernel_log
from vm.guest.steps import Steps, wait_until

BUILD, SETTINGS, STATE = Path("/run/build.toml"), Path("/run/service.toml"), Path("/run/state")
READER_SOCKET = Path("/run/laneproof/reader.sock")
MEMBER, GROUP = 4711, "daemon"
PROGRAM = (sys.executable, "-c", "import sys; from laneproof.cli import main; sys.exit(main())")
PASS_SECONDS = 2

_COMMAND, _BUS_MASTER = 4, 1 << 2
"""Offset of the Command register and the bit by which a function may reach memory. Source: PCI Local Bus 3.0, 6.2.2."""


def stop_answering(address: str) -> None:
    descriptor = os.open(f"/sys/bus/pci/devices/{address}/config", os.O_RDWR)
    word = int.from_bytes(os.pread(descriptor, 2, _COMMAND), "little")
    os.pwrite(descriptor, (word & ~_BUS_MASTER).to_bytes(2, "little"), _COMMAND)
    os.close(descriptor)


def stuck(found: Findings) -> set[str]:
    return {finding["position"] for finding in found if finding["rule"] == "reading-stuck"}


def count_threads(service: int) -> int:
    return len(list(Path(f"/proc/{service}/task").iterdir()))


def count_children(service: int) -> int:
    return sum(len(path.read_text().split()) for path in Path(f"/proc/{service}/task").glob("*/children"))


def samples(name: str) -> dict[str, float]:
    lines = (line for line in fetch("/metrics")["text"].splitlines() if line.startswith(f"{name}{{"))
    return {labels: float(value) for labels, _, value in (line.rpartition(" ") for line in lines)}


def start_reader() -> subprocess.Popen[bytes]:
    """Start the privileged reader, which a user of a group may ask."""
    READER_SOCKET.parent.mkdir(mode=0o755)
    program = (sys.executable, "-m", "laneproof_collectors.reader", "--socket", str(READER_SOCKET), "--group", GROUP)
    reader = subprocess.Popen(program)
    wait_until(READER_SOCKET.exists, seconds=60)
    READER_SOCKET.chmod(0o666)
    return reader


def audit() -> dict[str, Any]:
    """Audit in this process: a Python start takes longer here than the kernel waits for a drive."""
    from laneproof.cli import main as laneproof  # noqa: PLC0415 (fenced by the caller)

    out, err, began = io.StringIO(), io.StringIO(), time.monotonic()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        status = laneproof(["audit", "--json", "--build", str(BUILD), "--state", "/nowhere"])
    return {"status": status, "out": out.getvalue(), "err": err.getvalue(), "seconds": time.monotonic() - began}


def begin_audit(file: Path, *, as_member: bool) -> int:
    """Audit in a process of its own, which leaves its answer in a file."""
    if child := os.fork():
        return child
    if as_member:
        os.setgroups([grp.getgrnam(GROUP).gr_gid])
        os.setuid(MEMBER)
    file.write_text(json.dumps(audit()))
    os._exit(0)


def audit_side_by_side(facts: dict[str, Any], hung: list[str]) -> None:
    """Audit as root, which reads itself, and as a user who asks the reader, while drives hang."""
    import laneproof_collectors.reader_host  # noqa: F401, PLC0415 (loaded before anything hangs)

    Path("/root").chmod(0o755)  # of this machine's memory alone: where Python may lie
    folder = Path("/run/audits")
    folder.mkdir()
    folder.chmod(0o777)
    facts["before"] = audit()
    for address in hung:
        stop_answering(address)
    began = time.monotonic()
    children = {name: begin_audit(folder / name, as_member=name == "reader") for name in ("reader", "root")}
    for name, child in children.items():
        os.waitpid(child, 0)
        facts[name] = {**json.loads((folder / name).read_text()), "ended": time.monotonic() - began}


def see(service: int) -> dict[str, Any]:
    return {
        "findings": findings(),
        "threads": count_threads(service),
        "temperatures": samples("laneproof_nvme_composite_temperature_celsius"),
        "passes": samples("laneproof_reading_timestamp_seconds"),
        "took": samples("laneproof_reading_seconds"),
    }


def main() -> None:
    steps = Steps()
    wait_until(lambda: len(by_serial()) == len(DRIVES), seconds=60)
    drives = by_serial()
    BUILD.write_text(
        'schema = 1\n[box]\nname = "kelp-1"\n'
        + "".join(
            f'[[position]]\nlabel = "riser-{number}"\npath = "0000:00/04.{number - 1}"\n'
            f'occupant = {{ kind = "nvme", serial = "{serial}" }}\n'
            for number, serial in enumerate(DRIVES, 1)
        )
    )
    SETTINGS.write_text(f"[intervals]\ncontrollers = {PASS_SECONDS}\nfunctions = {PASS_SECONDS}\n")
    options = ("--build", str(BUILD), "--state", str(STATE), "--config", str(SETTINGS), "--listen", "127.0.0.1:7766")
    reader = start_reader()
    service = subprocess.Popen((*PROGRAM, "serve", *options))
    with steps.fenced("whole") as facts:
        facts["ready"] = wait_until(lambda: fetch("/ready")["status"] == 200, seconds=300, pause=0.5)
        wait_until(lambda: len(samples("laneproof_nvme_composite_temperature_celsius")) == len(DRIVES))
        facts.update(see(service.pid))

    with steps.fenced("hung") as facts:
        for serial in DRIVES[:-1]:
            stop_answering(drives[serial]["address"])
        wait_until(lambda: len(stuck(findings())) == len(DRIVES) - 1, seconds=50, pause=0.5)
        facts.update(see(service.pid))

    with steps.fenced("still-hung") as facts:
        threads, children = [], []
        for _ in range(20):
            time.sleep(1)
            threads.append(count_threads(service.pid))
            children.append(count_children(service.pid))
        facts.update(see(service.pid), most_threads=max(threads), most_children=max(children))

    with steps.fenced("back") as facts:
        facts["came"] = wait_until(lambda: not stuck(findings()), seconds=180, pause=1)
        wait_until(lambda: len(samples("laneproof_nvme_composite_temperature_celsius")) == len(DRIVES))
        facts.update(see(service.pid), log=[line for line in kernel_log() if "nvme" in line][-40:])

    service.terminate()
    steps.say("stopped", status=service.wait(timeout=60))

    with steps.fenced("audits") as facts:
        audit_side_by_side(facts, [drives[serial]["address"] for serial in DRIVES[:-1]])
    reader.terminate()
    steps.say("end")


if __name__ == "__main__":
    DRIVES = json.loads(sys.argv[1])
    main()
