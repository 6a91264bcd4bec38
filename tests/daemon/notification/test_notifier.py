"""From what the daemon says to what arrives: each message once, over stops, lost networks and a silent daemon."""

import errno
import logging
import os
import random
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from boxes.snapshot_box import declare
from laneproof.commands.recorded_passes import judge_frames
from laneproof.engine import Engine
from laneproof.findings import Change, Finding, FindingChange
from laneproof.notification.decisions import Reports
from laneproof.notification.delivery import DaemonClient, DaemonSilentError, deliver
from laneproof.notification.message import Message
from laneproof.notification.notifier import Notifier, apply_request
from laneproof.notification.settings import NotifySettings
from laneproof.notification.state_folder import StateFolder
from laneproof.outputs.cases_json import StandingFindings
from laneproof.service.http import Pages
from laneproof.service.listener import Server
from laneproof.service.status import DaemonStatus
from laneproof_collectors.recorded_host import RecordedHost
from laneproof_collectors.recording import parse_frames, parse_header
from simulation.box import RecordingWriter, SimulatedBox
from simulation.hardware import Drive, Port
from support.receivers import MailServer, WebServer, cases_document, free_port
from support.reported_findings import DAY, HOUR, MINUTE, NARROW, POSITIONS, T, at

DECLARED = """
[[position]]
label = "riser-1"
path = "0000:00/01.1"
link = { generation = 4, lanes = 4 }
"""


class FakeDaemon:
    """Says what stands, in passes of now."""

    def __init__(self) -> None:
        self.findings: tuple[Finding, ...] = ()
        self.changes: list[FindingChange] = []
        self.age_seconds = 1.0
        self.is_silent = False

    def read_standing(self) -> tuple[StandingFindings, str]:
        if self.is_silent:
            raise DaemonSilentError("http://127.0.0.1:7766: refused")
        standing = StandingFindings(
            box="kelp-1", age_seconds=self.age_seconds, findings=self.findings, positions=POSITIONS
        )
        return standing, "2026-09-21T14:13:20Z"

    def read_changes(self, since: str) -> list[FindingChange]:
        assert since
        return self.changes


class Rig:
    """A notifier on a folder, with a clock of its own."""

    def __init__(self, folder: Path, send: Callable[[str, Message], bool] | None = None, **settings: Any) -> None:
        self.settings = NotifySettings(**{"urls": ["x://y"], "zone": "UTC", **settings})
        self.folder, self.daemon, self.now = StateFolder(folder), FakeDaemon(), T
        self.sent: list[tuple[float, str]] = []
        self.beats: list[float] = []
        self.send = send or self._keep
        self.start()

    def start(self) -> None:
        """Start, or start again."""
        self.notifier = Notifier(self.settings, self.folder, self.daemon, send=self.send, beat=self._beat)

    def _keep(self, _: str, message: Message) -> bool:
        self.sent.append((self.now - T, message.title))
        return True

    def _beat(self, _: str) -> bool:
        self.beats.append(self.now - T)
        return True

    def work(self, seconds: float, *, step: float = 30.0) -> None:
        """Let it work for a while."""
        end = self.now + seconds
        while self.now < end:
            self.notifier.observe(self.now)
            self.notifier.send_waiting(lambda: self.now)
            self.now += step


def test_a_case_is_one_message_over_restarts(tmp_path: Path) -> None:
    rig = Rig(tmp_path)
    rig.daemon.findings = (NARROW, at("riser-3", rule="link-slow"))
    for _ in range(5):
        rig.work(60.0)
        rig.start()
    assert rig.sent == [(60.0, "kelp-1: riser-3, link-narrow, link-slow (warning)")]


def test_a_silent_daemon_is_reported_and_clears_nothing(tmp_path: Path) -> None:
    rig = Rig(tmp_path, heartbeat="http://x/")
    rig.daemon.findings = (NARROW,)
    rig.work(10 * MINUTE)
    rig.daemon.is_silent = True
    rig.start()  # the box's name is known over a restart
    rig.work(HOUR)
    rig.daemon.is_silent, rig.daemon.age_seconds = False, 900.0
    rig.work(HOUR)
    rig.daemon.age_seconds = 1.0
    rig.work(HOUR)
    assert [title for _, title in rig.sent] == [
        "kelp-1: riser-3, link-narrow (warning)",
        "kelp-1: laneproof, service-silent (warning)",
        "kelp-1: cleared: laneproof, service-silent",
    ]
    assert 10 * MINUTE + 300 <= rig.sent[1][0] <= 10 * MINUTE + 400
    assert [beat for beat in rig.beats if 10 * MINUTE <= beat < 10 * MINUTE + 2 * HOUR] == []
    assert len([beat for beat in rig.beats if beat < 10 * MINUTE]) == 2


def test_what_came_and_went_while_the_notifier_was_stopped_is_reported(tmp_path: Path) -> None:
    rig = Rig(tmp_path)
    rig.work(MINUTE)
    rig.now += 5 * HOUR
    rig.daemon.changes = [
        FindingChange(at=T + hour * HOUR, change=change, finding=NARROW)
        for hour, change in ((1, Change.RAISED), (3, Change.CLEARED))
    ]
    rig.start()
    rig.work(HOUR)
    assert [title for _, title in rig.sent] == ["kelp-1: came and went: riser-3, link-narrow"]


def test_requests_are_done_once_and_nonsense_is_passed_over(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    rig = Rig(tmp_path)
    rig.folder.request({"do": "start-work", "text": "swap riser-3", "since": T, "until": T + HOUR})
    rig.daemon.findings = (NARROW,)
    rig.work(30 * MINUTE)
    assert rig.sent == []
    rig.folder.request({"do": "end-work"})
    rig.work(10 * MINUTE)
    assert len(rig.sent) == 1
    rig.folder.request({"do": "acknowledge", "case": 1, "because": "on order"})
    rig.work(2 * DAY, step=HOUR)
    assert len(rig.sent) == 1
    for wrong in ({}, {"do": "dance"}, {"do": "acknowledge"}, {"do": "start-work", "since": "x"}):
        assert apply_request(Reports(), wrong, {}, T) == Reports()
    assert caplog.text.count("passed over a request") == 4


def test_a_state_that_cannot_be_saved_holds_no_message_back(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    rig = Rig(tmp_path)
    rig.daemon.findings = (NARROW,)

    def refuse(_: object) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    rig.folder.request({"do": "end-work"})
    monkeypatch.setattr(rig.folder, "save", refuse)
    rig.work(HOUR)
    assert len(rig.sent) == 1
    assert caplog.text.count("the state cannot be saved") == 1
    assert rig.folder.read_requests() == [{"do": "end-work"}]  # it is not forgotten before it is in the state


def test_requests_that_cannot_be_read_hold_no_message_back(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    rig = Rig(tmp_path)
    rig.daemon.findings = (NARROW,)
    (tmp_path / "requests.jsonl").mkdir()
    rig.work(HOUR)
    assert len(rig.sent) == 1
    assert "what commands asked cannot be read: [Errno 21]" in caplog.text  # EISDIR, errno(3)


def test_from_a_fault_in_a_recording_to_the_message_in_the_mail_and_at_the_webhook(tmp_path: Path) -> None:
    """The daemon's engine and HTTP, the notifier and both servers are real; only the clock is simulated."""
    box = SimulatedBox(name="kelp-1", ports=[Port(hop="01.1", drive=Drive(serial="A1"))])
    box.extra_files |= {"/proc/self/mountinfo": "", "/proc/mdstat": "Personalities : \nunused devices: <none>\n"}
    writer = RecordingWriter(box)
    writer.take(box, t=T, up=60.0)
    box.ports[0].wired_lanes = 2
    writer.take(box, t=T + 60.0, up=120.0)
    engine, host = (
        Engine(declare(DECLARED)),
        RecordedHost(parse_header(writer.lines[0]), parse_frames(writer.lines[1:])),
    )
    results = [frame.result for frame in judge_frames(host, engine, "a recording")]
    status = DaemonStatus(build=engine.build, last_pass=results[0], judged_at=0.0)
    mail, hook, mail_port = MailServer(), WebServer(), free_port()
    server = Server("127.0.0.1", 0, Pages(lambda: status, now=lambda: 1.0))
    server.start()
    with hook.running() as hook_port, mail.running(mail_port):
        to = f"127.0.0.1:{mail_port}/?from=laneproof@kelp-1.example&to=owner@kelp-1.example"
        settings = NotifySettings(
            urls=[f"mailto://{to}", f"json://127.0.0.1:{hook_port}/"], daemon=f"http://127.0.0.1:{server.port}"
        )
        notifier = Notifier(settings, StateFolder(tmp_path), DaemonClient(settings))
        for now, result in ((T, results[0]), (T + 60, results[1]), (T + 120, results[1]), (T + 180, results[1])):
            changes = tuple(reversed(result.changes))
            status = replace(status, last_pass=result, recent=changes)
            notifier.observe(now)
            notifier.send_waiting(lambda now=now: now)
    server.close()
    (posted,) = hook.posted
    assert mail.subjects == [posted["title"]] == ["kelp-1: riser-1, link-narrow, link-retrained-down (warning)"]
    assert "riser-1 trained at x2, declared x4" in posted["message"]
    assert "Where: riser-1 (serial number A1)" in posted["message"]


def test_over_a_network_gone_for_a_day_every_message_arrives_once(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    """Mail and webhook are real servers; only the clock is simulated."""
    caplog.set_level(logging.CRITICAL)
    mail, hook, mail_port, tries = MailServer(), WebServer(), free_port(), 0

    def send(url: str, message: Message) -> bool:
        nonlocal tries
        tries += 1
        return deliver(url, message)

    with hook.running() as hook_port:
        hook.is_down = True
        urls = [
            f"mailto://127.0.0.1:{mail_port}/?from=laneproof@kelp-1.example&to=owner@kelp-1.example",
            f"json://127.0.0.1:{hook_port}/",
        ]
        rig = Rig(tmp_path, send, urls=urls)
        for _ in range(2):  # two cases come, and one goes again, while nothing gets through
            rig.daemon.findings = (NARROW, at("deck-1", cause="heat"))
            rig.work(6 * HOUR, step=20 * MINUTE)
            rig.daemon.findings = (NARROW,)
            rig.work(6 * HOUR, step=20 * MINUTE)
            rig.start()
        assert (mail.subjects, hook.posted) == ([], [])
        assert 100 < tries < 200
        hook.is_down = False
        with mail.running(mail_port):
            rig.work(HOUR, step=MINUTE)
    of_deck = ["kelp-1: deck-1, link-narrow (warning)", "kelp-1: cleared: deck-1, link-narrow"]
    for titles in (mail.subjects, [posted["title"] for posted in hook.posted]):
        assert [title for title in titles if "deck-1" in title] == of_deck * 2
        assert [title for title in titles if "deck-1" not in title] == ["kelp-1: riser-3, link-narrow (warning)"]


PROGRAM = """
import sys, time
from pathlib import Path
from laneproof.notification.delivery import DaemonClient
from laneproof.notification import notifier
from laneproof.notification.settings import NotifySettings
from laneproof.notification.state_folder import StateFolder
notifier.PASS_SECONDS = 0.02
settings = NotifySettings(urls=[sys.argv[1]], daemon=sys.argv[2], zone="UTC")
clock = Path(sys.argv[3])
notifier.Notifier(settings, StateFolder(sys.argv[4]), DaemonClient(settings)).run(lambda: float(clock.read_text()))
"""


def test_killed_at_any_moment_it_loses_nothing_and_says_where_it_is_in_doubt(tmp_path: Path) -> None:
    """A real process with a simulated clock, ended by SIGKILL at random moments while alarms come."""
    drawn = random.Random(5)
    hook, daemon = WebServer(), WebServer()
    clock = tmp_path / "clock"

    def say(now: float, count: int) -> None:
        positions = {f"deck-{number}": replace(POSITIONS["deck-1"]) for number in range(count)}
        daemon.documents["/api/v1/cases"] = cases_document(tuple(at(label) for label in positions), positions, now)
        beside = tmp_path / "beside"
        beside.write_text(str(now))
        beside.replace(clock)

    def titles() -> list[str]:
        return [posted["title"].removeprefix("(perhaps again) ") for posted in hook.posted]

    daemon.documents["/api/v1/changes"] = {"changes": []}
    with hook.running() as hook_port, daemon.running() as daemon_port:
        command = [sys.executable, "-W", "ignore", "-c", PROGRAM, f"json://127.0.0.1:{hook_port}/"]
        command += [f"http://127.0.0.1:{daemon_port}", str(clock), str(tmp_path)]
        now, count = T, 0
        say(now, count)
        for kill in range(6):
            with subprocess.Popen(command, env={**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)}) as process:
                began, until = len(daemon.asked), time.monotonic() + 60.0
                while len(daemon.asked) == began and time.monotonic() < until:
                    time.sleep(0.01)
                for _ in range(4):
                    now, count = now + 70.0, count + 1
                    say(now, count)
                    time.sleep(drawn.uniform(0.0, 0.15))
                if kill == 5:
                    now += 400.0
                    say(now, count)
                    while len(set(titles())) < count and time.monotonic() < until:
                        now += 30.0
                        say(now, count)
                        time.sleep(0.1)
                process.send_signal(signal.SIGKILL)
    doubtful = [posted["title"] for posted in hook.posted if posted["title"].startswith("(perhaps again) ")]
    assert set(titles()) == {f"kelp-1: deck-{number}, link-narrow (warning)" for number in range(count)}
    assert len(titles()) - len(set(titles())) <= len(doubtful)
