"""Runs in the machine in which `installed.py` has set laneproof up, when it starts again: sees it watch and go."""

import http.server
import json
import socket
import time
from collections.abc import Callable
from pathlib import Path
from threading import Thread
from typing import Any

from vm.guest.installed import BUILD, DPKG, OTHER, SETTINGS, count_kept, there
from vm.guest.served import CONTROLLERS, fetch, serials
from vm.guest.service import run, unit
from vm.guest.steps import Steps, wait_until

NOTIFIER = "laneproof-notify.service"
WEBHOOK_PORT = 8099
PULLED = "TIDE-0001"
NETLINK_KOBJECT_UEVENT = 15  # include/uapi/linux/netlink.h
SECONDS_OF_PULLS = 45.0
PULLS_AT_LEAST = 5


def returned(facts: dict[str, Any]) -> None:
    """See what runs, and when it gave its first verdict: microseconds since the kernel's start, by the journal."""
    facts["unit"] = unit()
    facts["ready"] = fetch("/ready", OTHER)["status"]
    facts["build"] = BUILD.read_text()
    facts["kept"] = count_kept()
    facts["audit"] = fetch("/api/v1/audit", OTHER)
    facts["answer_seconds"] = fetch("/metrics", OTHER)["seconds"]
    said = run("journalctl", "--unit", "laneproof.service", "--boot", "--output", "json", "--no-pager")["out"]
    entries = [json.loads(line) for line in said.splitlines()]
    facts["log"] = [
        (int(entry["__MONOTONIC_TIMESTAMP"]), entry["MESSAGE"])
        for entry in entries
        if isinstance(entry["MESSAGE"], str)
    ]


# --- a drive that goes and comes --------------------------------------------------------------------------------------


def find_drive(serial: str) -> Path:
    """Give the drive's folder on the bus."""
    return next(
        (controller / "device").resolve()
        for controller in CONTROLLERS.iterdir()
        if (controller / "serial").read_text().strip() == serial
    )


def read_metric() -> float:
    """Give how many positions are empty, by the metrics."""
    lines = fetch("/metrics", OTHER)["text"].splitlines()
    found = [line for line in lines if line.startswith("laneproof_finding{") and 'rule="position-empty"' in line]
    return sum(float(line.rsplit(" ", 1)[1]) for line in found)


class KernelEvents:
    """Hears the kernel's device events, and keeps the moment of the first one of its kind."""

    def __init__(self) -> None:
        self.first: dict[str, float] = {}
        self._socket = socket.socket(socket.AF_NETLINK, socket.SOCK_DGRAM, NETLINK_KOBJECT_UEVENT)
        self._socket.bind((0, 1))  # the kernel's own group: lib/kobject_uevent.c
        Thread(target=self._listen, daemon=True).start()

    def _listen(self) -> None:
        while True:
            self.first.setdefault(self._socket.recv(1 << 14).partition(b"@")[0].decode(), time.monotonic())


def pull(serial: str) -> None:
    """Take a drive off the bus by the kernel's own file."""
    (find_drive(serial) / "remove").write_text("1")


def put_back(serial: str) -> None:
    """Have the buses looked through again, until the drive is there."""
    Path("/sys/bus/pci/rescan").write_text("1")
    wait_until(lambda: serial in serials(), pause=0.05)


def time_pulls(facts: dict[str, Any]) -> None:
    """Take a drive out and put it back, as often as the time allows: how long after the kernel says so does the metric?

    What is asked again and again is the list of changes, which costs the service less than its metrics do.
    """
    facts["gone_after"], facts["back_after"] = [], []
    kernel, end = KernelEvents(), time.monotonic() + SECONDS_OF_PULLS
    while time.monotonic() < end or len(facts["back_after"]) < PULLS_AT_LEAST:
        for name, act, event, wanted in (("gone_after", pull, "remove", 1.0), ("back_after", put_back, "add", 0.0)):
            before = fetch("/api/v1/changes", OTHER)["text"]
            kernel.first.clear()
            act(PULLED)
            wait_until(lambda before=before: fetch("/api/v1/changes", OTHER)["text"] != before, pause=0.02)
            if not wait_until(lambda wanted=wanted: read_metric() == wanted, pause=0.05):
                facts["never"] = name, fetch("/metrics", OTHER)["text"]
                return
            facts[name].append(round(time.monotonic() - kernel.first[event], 3))
    lines = fetch("/metrics", OTHER)["text"].splitlines()
    facts["readings"] = [line for line in lines if line.startswith("laneproof_reading_seconds{")]


# --- who gets a message -----------------------------------------------------------------------------------------------


def receive(messages: list[dict[str, Any]]) -> http.server.HTTPServer:
    """Listen for what a webhook is sent."""

    class Receiver(http.server.BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            body = self.rfile.read(int(self.headers["Content-Length"]))
            messages.append(json.loads(body))
            self.send_response(200)
            self.end_headers()

        def log_message(self, *_: object) -> None:
            """Keep still: the console is the test's."""

    receiver = http.server.HTTPServer(("127.0.0.1", WEBHOOK_PORT), Receiver)
    Thread(target=receiver.serve_forever, daemon=True).start()
    return receiver


def notify(facts: dict[str, Any], ask: Callable[[], object]) -> None:
    """Start the notifier, let something critical happen, and see what it sends and what the journal shows."""
    messages: list[dict[str, Any]] = []
    settings = Path("/etc/laneproof/notify.toml")
    settings.write_text(f'daemon = "{OTHER}"\nurls = ["json://127.0.0.1:{WEBHOOK_PORT}/"]\n')
    settings.chmod(0o600)
    receiver = receive(messages)
    facts["start"] = run("systemctl", "enable", "--now", NOTIFIER)
    ask()
    facts["sent"] = bool(
        wait_until(lambda: any("critical-warning" in each["title"] for each in messages), seconds=240, pause=0.5)
    )
    facts["messages"] = messages
    facts["state"] = dict(
        line.split("=", 1)
        for line in run("systemctl", "show", NOTIFIER, "-p", "ActiveState", "-p", "User", "-p", "NRestarts")[
            "out"
        ].split()
    )
    facts["said"] = run("journalctl", "--unit", NOTIFIER, "--no-pager", "--output", "cat")["out"]
    journal = ("journalctl", "--unit", "laneproof.service", "--boot", "--no-pager", "--output", "cat")
    facts["lines"], facts["warnings"] = run(*journal)["out"], run(*journal, "-p", "warning")["out"]
    facts["folder"] = Path("/var/lib/private/laneproof-notify").is_dir()
    receiver.shutdown()


def set_wrongly(facts: dict[str, Any]) -> None:
    """Give the service settings that it cannot take: another start would end the same."""
    good = SETTINGS.read_text()
    SETTINGS.write_text(good + "\nno_such_key = 1\n")
    facts["start"] = run("systemctl", "restart", "laneproof.service")
    facts["unit"] = unit()
    facts["port"] = run("systemctl", "is-active", "laneproof.socket")["out"].strip()
    SETTINGS.write_text(good)
    facts["mended"] = run("systemctl", "start", "laneproof.service")


def main() -> None:
    steps = Steps()
    wait_until(lambda: fetch("/ready", OTHER)["status"] == 200, seconds=300, pause=0.2)
    steps.say("answers")
    with steps.fenced("returned") as facts:
        returned(facts)
    with steps.fenced("pulls") as facts:
        time_pulls(facts)
    with steps.fenced("notify") as facts:
        notify(facts, lambda: steps.ask("begin-warning"))
    with steps.fenced("wrong") as facts:
        set_wrongly(facts)
    for name, option in (("remove", "-r"), ("purge", "-P")):
        with steps.fenced(name) as facts:
            facts["before"] = there()
            facts["dpkg"] = run(*DPKG, option, "laneproof")
            facts["there"] = there()
            facts["known"] = run("systemctl", "cat", "laneproof.service")["status"]
    steps.say("end")


if __name__ == "__main__":
    main()
