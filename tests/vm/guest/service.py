"""Runs in a machine where laneproof is a unit of a real systemd: drafts, audits, starts it, watches it react."""

import contextlib
import io
import os
import re
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from threading import Thread
from typing import Any

from vm.boxes import BAD_SECTOR
from vm.guest.removals import remove_again_and_again
from vm.guest.served import CONTROLLERS, fetch, findings, has, serials
from vm.guest.split_slot import RECEIVER_ERROR, by_serial, correctable, inject_correctable
from vm.guest.steps import Steps, wait_until

BUILD = Path("/etc/laneproof/build.toml")
UNIT = "laneproof.service"
BURST = 40
LINES = 4000
RECORD = ("record", "--every", "1", "--passes", "13")
SHOWN = (
    "ActiveState", "SubState", "Result", "NRestarts", "ExecMainStatus", "MainPID", "StatusText", "WatchdogUSec",
    "MemoryCurrent", "MemoryPeak", "CPUUsageNSec",
)  # fmt: skip


def run(*command: str) -> dict[str, Any]:
    began = time.monotonic()
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    seconds = round(time.monotonic() - began, 2)
    return {"status": done.returncode, "out": done.stdout, "err": done.stderr, "seconds": seconds}


def laneproof(*arguments: str) -> dict[str, Any]:
    """Run a command of laneproof in this process, for a Python start is dear under emulation."""
    from laneproof.cli import main  # noqa: PLC0415 (fenced by the caller)

    out, err = io.StringIO(), io.StringIO()
    began = time.monotonic()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        try:
            status: Any = main(list(arguments))
        except SystemExit as end:
            status = end.code
    seconds = round(time.monotonic() - began, 2)
    return {"status": status, "out": out.getvalue(), "err": err.getvalue(), "seconds": seconds}


def unit() -> dict[str, str]:
    shown = run("systemctl", "show", UNIT, "--property", ",".join(SHOWN))["out"]
    return dict(line.split("=", 1) for line in shown.splitlines() if "=" in line)


def is_running() -> bool:
    return unit()["ActiveState"] in ("active", "reloading", "activating")


def watch(
    *, gone: str = "", come: str = "", until: Callable[[list[dict[str, Any]]], bool], seconds: float = 30
) -> dict[str, Any]:
    """Wait for a drive to go or come, where one is named, then for the service to say so; give how long each took."""
    began = time.monotonic()
    changed = wait_until(lambda: gone not in serials() and (not come or come in serials()), seconds=60, pause=0.005)
    event = time.monotonic()
    reported = wait_until(lambda: until(findings()), seconds=seconds if is_running() else 0, pause=0.2)
    said = time.monotonic()
    return {
        "changed": bool(changed),
        "reported": bool(reported),
        "event_after": round(event - began, 3),
        "reported_after": round(said - event, 3),
        "findings": findings(),
    }


def draft(facts: dict[str, Any]) -> None:
    """Declare the machine as it stands, and hold it against that: nothing can differ."""
    wait_until(lambda: len(serials()) == 4 and all(map(_is_live, CONTROLLERS.iterdir())))
    facts["draft"] = laneproof("draft", "-o", str(BUILD))
    facts["build"] = BUILD.read_text()
    facts["audit"] = laneproof("audit", "--json")
    facts["text"] = laneproof("audit", "--width", "80")
    facts["record"] = laneproof("record", "/run/now.jsonl.gz")
    facts["again"] = laneproof("audit", "--from", "/run/now.jsonl.gz", "--build", str(BUILD), "--json")


def _is_live(controller: Path) -> bool:
    return (controller / "state").read_text().strip() == "live"


def ask_for_more(facts: dict[str, Any]) -> None:
    """Declare links faster and wider than this machine trains them."""
    wanted = re.sub(r"\bgeneration = \d+", "generation = 4", BUILD.read_text())
    wanted = re.sub(r"(\bgeneration = 4,? *\n? *lanes = )\d+", r"\g<1>4", wanted)
    Path("/run/wanted.toml").write_text(wanted)
    facts["build"] = wanted
    facts["audit"] = laneproof("audit", "--build", "/run/wanted.toml", "--json")


def serve(facts: dict[str, Any]) -> None:
    facts["security"] = run("systemd-analyze", "security", "--no-pager", UNIT)
    facts["start"] = run("systemctl", "start", UNIT)
    wait_until(lambda: fetch("/ready")["status"] == 200 or not is_running(), seconds=60, pause=0.2)
    facts["unit"] = unit()
    facts["answers"] = {path: fetch(path) for path in ("/health", "/ready", "/metrics", "/api/v1/audit", "/", "/none")}


def reload_wrongly(facts: dict[str, Any]) -> None:
    """Give the service a declaration with an error: it keeps the one that it has, and says so."""
    good = BUILD.read_text()
    BUILD.write_text(good + "\nno_such_key = 1\n")
    facts["reload"] = run("systemctl", "reload", UNIT)
    facts["said"] = bool(wait_until(lambda: "no_such_key" in journal() or not is_running(), seconds=30, pause=0.5))
    facts["unit"] = unit()
    facts["audit"] = fetch("/api/v1/audit")
    BUILD.write_text(good)
    run("systemctl", "reload", UNIT)


def journal() -> str:
    text: str = run("journalctl", "--no-pager", "--output", "short-monotonic", "--unit", UNIT)["out"]
    return text


def stop(facts: dict[str, Any]) -> None:
    facts["before"] = unit()
    facts["metrics"] = fetch("/metrics")["text"]
    facts["stop"] = run("systemctl", "stop", UNIT)
    facts["unit"] = unit()
    facts["kept"] = sorted(str(path) for path in Path("/var/lib/laneproof").rglob("*"))
    facts["evidence"] = "".join(path.read_text() for path in sorted(Path("/var/lib/laneproof/evidence").iterdir()))


def overrun(facts: dict[str, Any]) -> None:
    """Let the kernel's ring run over while the service is down: the journal has what was in it."""
    Path("/proc/sys/kernel/printk_devkmsg").write_text("on\n")  # else programs may write a few lines only
    before = _first_in_ring()
    with Path("/dev/kmsg").open("wb", buffering=0) as ring:
        ring.writelines(b"<14>a line of no importance ".ljust(200, b".") + b"\n" for _ in range(LINES))
    facts["ring"] = before, _first_in_ring()
    run("journalctl", "--sync")
    facts["start"] = run("systemctl", "start", UNIT)
    facts["reported"] = bool(
        wait_until(lambda: "overwritten before they were read" in journal(), seconds=90, pause=0.5)
    )
    facts["stop"] = run("systemctl", "stop", UNIT)


def _first_in_ring() -> int:
    ring = os.open("/dev/kmsg", os.O_RDONLY | os.O_NONBLOCK)
    try:
        return int(os.read(ring, 8192).split(b",")[1])
    finally:
        os.close(ring)


def burst(facts: dict[str, Any], position: str, address: str) -> None:
    """Let one port see many receiver errors while its siblings see none."""
    run("modprobe", "aer_inject")
    for _ in range(BURST):
        inject_correctable(address, RECEIVER_ERROR)
    counted = wait_until(lambda: correctable(address)["RxErr"])
    wanted = f'position="{position}"'
    began = time.monotonic()

    def reported() -> list[str]:
        lines = fetch("/metrics")["text"].splitlines()
        counts = [line for line in lines if line.startswith("laneproof_link_correctable_errors_total{")]
        reached = [line for line in counts if wanted in line and float(line.rsplit(" ", 1)[1]) >= BURST]
        return counts if reached else []

    facts["counts"] = wait_until(reported, seconds=45, pause=0.5)
    facts["reported_after"] = round(time.monotonic() - began, 2)
    facts["counted"] = counted
    facts["findings"] = findings()


def record_pulses(facts: dict[str, Any], address: str) -> None:
    """Record a pass a second while one port sees a few errors between each two."""
    run("modprobe", "aer_inject")
    file = Path("/run/pulses.jsonl")
    recording = Thread(target=lambda: facts.update(record=laneproof(*RECORD, str(file))))
    recording.start()
    while recording.is_alive():
        inject_correctable(address, RECEIVER_ERROR)
        time.sleep(0.2)
    recording.join()
    facts["recording"] = file.read_text()


def read_bad_sector(facts: dict[str, Any], position: str, serial: str) -> None:
    """Read where the medium cannot be read, as a file system would come upon it."""
    disk = f"/dev/{by_serial()[serial]['name']}n1"
    at = f"skip={BAD_SECTOR // 8}"
    facts["dd"] = run("dd", f"if={disk}", "of=/dev/null", "bs=4096", at, "count=1", "iflag=direct")["err"]
    facts.update(watch(until=has("media-errors-rising", position), seconds=90))


def main() -> None:
    steps = Steps()
    with steps.fenced("draft") as facts:
        draft(facts)
    with steps.fenced("ask-for-more") as facts:
        ask_for_more(facts)
    with steps.fenced("pulses") as facts:
        record_pulses(facts, sys.argv[1])
    with steps.fenced("serve") as facts:
        serve(facts)
    with steps.fenced("reload") as facts:
        reload_wrongly(facts)

    labels = steps.ask("begin-signs")
    with steps.fenced("burst") as facts:
        burst(facts, labels["position"], sys.argv[1])
    with steps.fenced("unreadable-sector") as facts:
        read_bad_sector(facts, labels["worn"], labels["worn_serial"])
    labels = steps.ask("begin-warning")
    with steps.fenced("warned") as facts:
        facts.update(watch(until=has("critical-warning", labels["position"]), seconds=90))
    remove_again_and_again(steps, laneproof)
    labels = steps.ask("begin-removal")
    with steps.fenced("removed") as facts:
        facts.update(watch(gone=labels["serial"], until=has("position-empty", labels["position"])))
    labels = steps.ask("begin-second-removal")
    with steps.fenced("removed-second") as facts:
        facts.update(watch(gone=labels["serial"], until=has("position-empty", labels["position"])))
    labels = steps.ask("begin-move")
    with steps.fenced("moved") as facts:
        facts.update(
            watch(come=labels["serial"], until=lambda found: is_reported_as_moved(found, labels["from"], labels["to"]))
        )

    with steps.fenced("stop") as facts:
        stop(facts)
    with steps.fenced("overrun") as facts:
        overrun(facts)
    with steps.fenced("events") as facts:
        facts["reported"] = laneproof("events", "--json")
    with steps.fenced("journal") as facts:
        facts["text"] = journal()
    steps.say("end")


def is_reported_as_moved(found: list[dict[str, Any]], old: str, new: str) -> bool:
    """Whether the findings of both positions name the other one."""
    return all(
        any(finding["position"] == here and there in finding["summary"] for finding in found)
        for here, there in ((old, new), (new, old))
    )


if __name__ == "__main__":
    main()
