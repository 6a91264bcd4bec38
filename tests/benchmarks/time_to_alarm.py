"""How long it takes from a fault until its owner hears of it: on the page, at a webhook, in the mail.

Run as ``python -m benchmarks.time_to_alarm [BOXES]`` with ``tests`` on the path. Each box has a daemon, and a notifier
as a process of its own, with the intervals that they have everywhere; only the machine is a recording, whose frames
come when their times come. Half of the boxes lose two lanes, which no event reports; from the others a drive goes,
which the kernel reports.
"""

import random
import select
import statistics
import sys
import tempfile
import threading
import time
import urllib.error
from collections.abc import Sequence
from contextlib import ExitStack
from pathlib import Path

from boxes.snapshot_box import declare
from laneproof.engine import LIVE_CONFIRMATIONS, Engine
from laneproof.history.store import Store
from laneproof.service.daemon import Daemon
from laneproof.service.declaration_file import DeclarationFile
from laneproof.service.http import Pages
from laneproof.service.listener import Server
from laneproof_collectors.questions import Answer, Question
from laneproof_collectors.recorded_host import RecordedHost
from laneproof_collectors.recording import Frame, parse_frames, parse_header
from simulation.box import RecordingWriter, SimulatedBox
from simulation.hardware import Drive, Port, Presence
from support.real_services import get, running
from support.receivers import MailServer, WebServer, free_port
from support.unread_answers import known

BOXES, WARM_SECONDS, PHASE_SECONDS, PATIENCE_SECONDS, STEP_SECONDS = 8, 60.0, 15.0, 300.0, 0.1
DECLARED = """
[[position]]
label = "riser-1"
path = "0000:00/01.1"
link = { generation = 4, lanes = 4 }
occupant = { kind = "nvme" }
"""
WHERE = ("the page", "the webhook", "the mail")


class AsItHappened(RecordedHost):
    """A recording as a machine that lives: each frame comes at its time, and an event wakes who waits."""

    def __init__(self, lines: Sequence[str]) -> None:
        super().__init__(parse_header(lines[0]))
        self._ahead = list(parse_frames(lines[1:]))
        self._turn = threading.Lock()
        self._began = time.time()
        self.apply(self._ahead.pop(0))
        self.came_at: float | None = None

    def ask(self, questions: Sequence[Question]) -> list[Answer]:
        with self._turn:
            return super().ask(questions)

    def wait(self, seconds: float, wake_descriptor: int | None = None) -> bool:
        until = min(seconds, self._ahead[0].t - time.time()) if self._ahead else seconds
        streams = [] if wake_descriptor is None else [wake_descriptor]
        is_woken = bool(select.select(streams, [], [], max(until, 0.0))[0])
        with self._turn:
            if self._ahead and time.time() >= self._ahead[0].t:
                frame = self._ahead.pop(0)
                self.apply(frame)
                self.came_at = time.time()
                return bool(frame.kmsg)
            self.apply(Frame(t=time.time(), up=60.0 + time.time() - self._began))
        return is_woken


def record(number: int, fault_at: float) -> list[str]:
    """Record a sound box, and what becomes of it."""
    box = SimulatedBox(name=f"kelp-{number}", ports=[Port(hop="01.1", drive=Drive(serial=f"A{number}"))])
    box.extra_files |= {"/proc/self/mountinfo": "", "/proc/mdstat": "Personalities : \nunused devices: <none>\n"}
    writer, now = RecordingWriter(box), time.time()
    writer.take(box, t=now, up=60.0)
    up = 60.0 + fault_at - now
    if number % 2:
        box.ports[0].wired_lanes = 2
        writer.take(box, t=fault_at, up=up)
    else:
        known(box.ports[0].drive).presence = Presence.AWAY
        words = "nvme nvme0: controller is down; will reset: CSTS=0xffffffff, PCI_STATUS=0xffff"
        writer.take(box, t=fault_at, up=up, kmsg=(f"4,900,{up * 1e6:.0f},-;{words}",))
    return writer.lines


class WatchedBox:
    """One box with all that watches it, and with who listens."""

    def __init__(self, number: int, fault_at: float, folder: Path, stack: ExitStack) -> None:
        self.rule = "link-narrow" if number % 2 else "drops-off-bus"
        self.heard: dict[str, float] = {}
        self._mail, self._hook, mail_port = MailServer(), WebServer(), free_port()
        hook_port = stack.enter_context(self._hook.running())
        stack.enter_context(self._mail.running(mail_port))
        self.host = AsItHappened(record(number, fault_at))
        build = declare(DECLARED)
        self.daemon = Daemon(
            self.host,
            DeclarationFile("", lambda _: None, build=build),
            writer=Store.open(":memory:"),
            engine=Engine(build, confirmations=LIVE_CONFIRMATIONS),
        )
        server = Server("127.0.0.1", 0, Pages(lambda: self.daemon.status))
        server.start()
        stack.callback(server.close)
        thread = threading.Thread(target=self.daemon.run)
        thread.start()
        stack.callback(thread.join)
        stack.callback(self.daemon.stop)
        self._page = f"http://127.0.0.1:{server.port}/"
        to = f"mailto://127.0.0.1:{mail_port}/?from=laneproof@kelp-1.example&to=owner@kelp-1.example"
        settings = folder / f"notify-{number}.toml"
        settings.write_text(
            f'urls = ["{to}", "json://127.0.0.1:{hook_port}/"]\ndaemon = "{self._page}"\n'
            f'state = "{folder / str(number)}"\n'
        )
        command = (sys.executable, "-m", "laneproof.cli", "notify", "--config", str(settings))
        stack.enter_context(running(folder / f"{number}.log", *command))

    def listen(self) -> bool:
        """Note who heard of it; whether everybody did."""
        titles = {"the mail": self._mail.subjects, "the webhook": [each["title"] for each in self._hook.posted]}
        for where, heard in titles.items():
            if any(self.rule in title for title in heard):
                self.heard.setdefault(where, time.time())
        if "the page" not in self.heard:
            try:
                is_shown = self.rule.encode() in get(self._page)
            except urllib.error.HTTPError:
                is_shown = False  # its first pass is not complete
            if is_shown:
                self.heard["the page"] = time.time()
        return self.heard.keys() == set(WHERE)


def main() -> None:
    """Print what was measured."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else BOXES
    chance = random.Random(2)
    with tempfile.TemporaryDirectory() as made, ExitStack() as stack:
        begin = time.time() + WARM_SECONDS
        boxes = [
            WatchedBox(number, begin + chance.uniform(0.0, PHASE_SECONDS), Path(made), stack)
            for number in range(1, count + 1)
        ]
        end = begin + PATIENCE_SECONDS
        while time.time() < end and sum(box.listen() for box in boxes) < count:
            time.sleep(STEP_SECONDS)
        for rule in sorted({box.rule for box in boxes}):
            for where in WHERE:
                waits = [
                    box.heard[where] - box.host.came_at
                    for box in boxes
                    if box.rule == rule and where in box.heard and box.host.came_at is not None
                ]
                missing = sum(box.rule == rule for box in boxes) - len(waits)
                figures = f"{statistics.median(waits):.1f} s, at most {max(waits):.1f} s" if waits else "-"
                print(f"{rule}, until {where}: {figures}; {len(waits)} boxes, {missing} never heard")


if __name__ == "__main__":
    main()
