"""Runs in a machine with a real systemd: the service and its reader, what each may, and what the other loses."""

import contextlib
import json
import os
import re
import signal
import sqlite3
import subprocess
import time
from pathlib import Path
from typing import Any

from vm.guest.served import fetch
from vm.guest.service import BUILD, laneproof, run
from vm.guest.steps import Steps, wait_until

JUDGE, READER, SOCKET = "laneproof.service", "laneproof-reader.service", "laneproof.socket"
STATE = Path("/var/lib/laneproof")
UNITS = Path("/etc/systemd/system")
GROUP = "laneproof-reader"
ATTACK = "/usr/bin/python3 /usr/lib/laneproof/attack.py"
SHOWN = ("ActiveState", "Result", "NRestarts", "MainPID", "MemoryCurrent", "CPUUsageNSec")


def show(unit: str) -> dict[str, str]:
    said = run("systemctl", "show", unit, "--property", ",".join(SHOWN))["out"]
    return dict(line.split("=", 1) for line in said.splitlines() if "=" in line)


def is_ready() -> bool:
    return bool(fetch("/ready")["status"] == 200)


def count_kept() -> dict[str, int]:
    with contextlib.closing(sqlite3.connect(f"file:{STATE}/history.db?mode=ro", uri=True)) as history:
        names = [name for (name,) in history.execute("SELECT name FROM sqlite_master WHERE type = 'table'")]
        return {name: history.execute(f'SELECT count(*) FROM "{name}"').fetchone()[0] for name in names}  # noqa: S608 (its own tables)


def serve_as_before(facts: dict[str, Any]) -> None:
    """Watch as root, in one process, as a version before did."""
    facts["draft"] = laneproof("draft", "-o", str(BUILD))
    run("ip", "link", "set", "lo", "up")
    with subprocess.Popen(["/usr/bin/laneproof", "serve", "--state", str(STATE)]) as old:
        facts["ready"] = bool(wait_until(is_ready, seconds=120, pause=0.5))
        old.send_signal(signal.SIGTERM)
    facts["kept"], facts["owner"] = count_kept(), (STATE / "history.db").stat().st_uid


def take_over(facts: dict[str, Any]) -> None:
    facts["start"] = run("systemctl", "start", JUDGE)
    facts["ready"] = bool(wait_until(is_ready, seconds=120, pause=0.5))
    facts["judge"], facts["reader"] = show(JUDGE), show(READER)
    facts["kept"], facts["owner"] = count_kept(), (STATE / "history.db").stat().st_uid
    facts["lies"] = str(STATE.resolve())
    facts["audit"] = fetch("/api/v1/audit")
    facts["users"] = {unit: user_of(show(unit)["MainPID"]) for unit in (JUDGE, READER)}
    facts["capabilities"] = {unit: capabilities_of(show(unit)["MainPID"]) for unit in (JUDGE, READER)}


def user_of(pid: str) -> int:
    return Path(f"/proc/{pid}").stat().st_uid


def capabilities_of(pid: str) -> str:
    found = re.search(r"^CapEff:\s*(\w+)", Path(f"/proc/{pid}/status").read_text(), re.MULTILINE)
    return found[1] if found else ""


def audit_as_others(facts: dict[str, Any]) -> None:
    """Audit as root, as a user of the group, and as one who is not."""
    command = ("/usr/bin/laneproof", "audit", "--json", "--state", "/nowhere")
    facts["root"] = run(*command)
    for name, groups in (("member", ("--groups", GROUP)), ("stranger", ("--clear-groups",))):
        facts[name] = run("setpriv", "--reuid", "4711", "--regid", "4711", *groups, *command)


def leave_note(facts: dict[str, Any]) -> None:
    """Leave a note as root, which a service without rights takes."""
    facts["note"] = laneproof("note", "box", "a note of the owner's")
    facts["taken"] = bool(wait_until(lambda: not list(STATE.glob("notes.*")), seconds=150, pause=1))


def start_again(facts: dict[str, Any]) -> None:
    """Kill the reader, then start the service again: each goes on without the other."""
    reader = int(show(READER)["MainPID"])
    if not reader:
        raise ProcessLookupError("the reader does not run")
    os.kill(reader, signal.SIGKILL)
    wait_until(lambda: show(READER)["MainPID"] not in ("0", str(reader)), seconds=60, pause=0.5)
    time.sleep(70)  # each drive is asked once a minute
    facts["judge"], facts["reader"] = show(JUDGE), show(READER)
    facts["audit"] = fetch("/api/v1/audit")
    with subprocess.Popen(["systemctl", "restart", JUDGE]) as restart:
        wait_until(lambda: show(JUDGE)["MainPID"] != facts["judge"]["MainPID"], seconds=60)
        facts["asked_meanwhile"] = fetch("/metrics", seconds=120)["status"]
    facts["restart"] = restart.returncode
    wait_until(is_ready, seconds=120, pause=0.5)
    facts["after"], facts["after_audit"] = {JUDGE: show(JUDGE), READER: show(READER)}, fetch("/api/v1/audit")


def attack(facts: dict[str, Any]) -> None:
    """Run the attacker's program as each unit is run, and, so that the attempts mean something, as root without one."""
    program = Path(__file__).with_name("attack.py").read_text()
    Path("/usr/lib/laneproof/attack.py").write_text(program)
    run("systemctl", "stop", JUDGE)
    facts["port"] = show(SOCKET)["ActiveState"]
    run("systemctl", "stop", READER, "laneproof-reader.socket")
    for unit in (JUDGE, READER, None):
        name, out = f"attack-{unit or 'root.service'}", Path(f"/var/log/attack-{unit}.json")
        text = (UNITS / unit).read_text() if unit else "[Service]\n"
        text = re.sub(r"^(ExecStart|Type|Restart|WatchdogSec|Requires|Wants|After)=.*\n", "", text, flags=re.MULTILINE)
        start = "\n".join(
            (
                "[Service]",
                "Type=oneshot",
                "Environment=PYTHONPATH=/opt/laneproof/collectors",
                f"ExecStart={ATTACK} {'sealed' if unit == READER else ''}",
                f"StandardOutput=truncate:{out}",
                "",
            )
        )
        (UNITS / name).write_text(text.replace("[Service]\n", start, 1).partition("[Install]")[0])
        run("systemctl", "daemon-reload")
        facts[f"ran-{unit}"] = run("systemctl", "start", name)
        facts[str(unit)] = json.loads(out.read_text() or "{}")
    facts["journal"] = run("journalctl", "--no-pager", "-n", "60")["out"]


def main() -> None:
    steps = Steps()
    for name, step in (
        ("before", serve_as_before),
        ("taken-over", take_over),
        ("audits", audit_as_others),
        ("note", leave_note),
        ("again", start_again),
        ("attacks", attack),
    ):
        with steps.fenced(name) as facts:
            step(facts)
    with steps.fenced("journal") as facts:
        facts["text"] = run("journalctl", "--no-pager", "-u", JUDGE, "-u", READER)["out"]
    steps.say("end")


if __name__ == "__main__":
    main()
