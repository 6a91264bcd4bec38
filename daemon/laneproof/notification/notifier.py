"""The notifier: asks the daemon, decides what is new, and delivers it, pass after pass, until it is stopped."""

import contextlib
import logging
import threading
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from typing import Any, Protocol

from laneproof.findings import Finding, FindingChange, Kind, Severity
from laneproof.notification import outbox
from laneproof.notification.cases import collect_cases
from laneproof.notification.decisions import (
    Reports,
    acknowledge,
    add_missed,
    decide,
    end_work,
    note_delivered,
    start_work,
)
from laneproof.notification.delivery import DaemonSilentError, deliver, give_heartbeat
from laneproof.notification.message import Message, write_message
from laneproof.notification.settings import NotifySettings
from laneproof.notification.state_folder import StateFolder
from laneproof.outputs.cases_json import PositionFacts, StandingFindings

_log = logging.getLogger(__name__)

PASS_SECONDS, HEARTBEAT_SECONDS, SAVE_SECONDS = 15.0, 300.0, 300.0
"""How often the daemon is asked, a sign of life given, and the state saved where nothing happened."""
SILENT_SECONDS = 300.0
"""A daemon without a recent answer for so long watches nothing. Our choice: a start takes two minutes at the most."""


class AskedDaemon(Protocol):
    """What is asked of the daemon."""

    def read_standing(self) -> tuple[StandingFindings, str]:
        """What stands, and the time of that pass, RFC 3339."""

    def read_changes(self, since: str) -> list[FindingChange]:
        """What became of findings since then."""


class Notifier:
    """Everything between the daemon's answers and the messages."""

    def __init__(
        self,
        settings: NotifySettings,
        folder: StateFolder,
        daemon: AskedDaemon,
        *,
        send: Callable[[str, Message], bool] = deliver,
        beat: Callable[[str], bool] = give_heartbeat,
    ) -> None:
        """Go on where the run before stopped; `send` says whether a message was taken.

        Raises:
            OSError: The state cannot be read.
        """
        self._settings, self._folder, self._daemon = settings, folder, daemon
        self._send, self._beat = send, beat
        self._urls = {outbox.name_address(url): url for url in settings.urls}
        state = folder.load()
        self._state = replace(state, queue=outbox.recover(state.queue, self._urls))
        self._positions = dict[str, PositionFacts]()
        self._beat_at = self._saved_at = float("-inf")
        self._can_save, self._requests_done = True, 0  # what was done and could not be saved is not done again
        self._stopping = threading.Event()

    def stop(self) -> None:
        """End `run` soon."""
        self._stopping.set()

    def run(self, clock: Callable[[], float]) -> None:
        """Work until `stop` is called, by a clock of unix seconds."""
        while not self._stopping.is_set():
            self.observe(clock())
            self.send_waiting(clock)
            self._stopping.wait(PASS_SECONDS)

    def observe(self, now: float) -> None:
        """Read what commands asked and what the daemon says, and queue what is to be sent."""
        before = self._state
        reports, requests = before.reports, self._read_requests()
        is_complete, findings = True, list[Finding]()
        try:
            standing, taken_at = self._daemon.read_standing()
            if standing.age_seconds > SILENT_SECONDS:
                raise DaemonSilentError(f"its last pass was judged {standing.age_seconds / 60:.0f} minutes ago")  # noqa: TRY301 (as any other silence)
            missed = self._daemon.read_changes(before.asked_until) if before.asked_until else []
        except DaemonSilentError as error:
            is_complete, since = False, now if before.silent_since is None else before.silent_since
            self._state = replace(before, silent_since=since)
            if not 0 <= now - since < SILENT_SECONDS:
                findings = [describe_silence(error, since)]
        else:
            self._positions = dict(standing.positions)
            self._state = replace(before, box=standing.box, silent_since=None, asked_until=taken_at)
            findings = list(standing.findings)
            stand = {finding.identity for finding in findings}
            gone = [change for change in missed if change.finding.identity not in stand]
            reports = add_missed(reports, gone, self._positions)
        for request in requests[self._requests_done :]:
            reports = apply_request(reports, request, self._positions, now)
        self._queue_reports(reports, findings, now, is_complete=is_complete)
        has_news = replace(self._state, asked_until=before.asked_until) != before
        if has_news or requests or not 0 <= now - self._saved_at < SAVE_SECONDS:
            self._save(now)
        self._requests_done = len(requests)
        if requests and self._saved_at == now:
            with contextlib.suppress(OSError):  # what is not forgotten is not done again either
                self._folder.clear_requests()
                self._requests_done = 0
        self._give_sign_of_life(now)

    def _queue_reports(self, reports: Reports, findings: Sequence[Finding], now: float, *, is_complete: bool) -> None:
        state, cases = self._state, collect_cases(findings, self._positions)
        waiting = outbox.list_cases(state.queue, self._urls)
        after, to_say = decide(reports, cases, now, self._settings, waiting=waiting, is_complete=is_complete)
        messages = [write_message(report, state.box, self._positions, self._settings, now) for report in to_say]
        queue = outbox.put(state.queue, messages, self._urls, state.next_item)
        self._state = replace(
            state, reports=after, queue=queue, next_item=state.next_item + len(messages) * len(self._urls)
        )

    def send_waiting(self, clock: Callable[[], float]) -> None:
        """Send what waits and may be sent now, each message once."""
        tried: set[int] = set()
        while not self._stopping.is_set() and (item := outbox.find_next(self._state.queue, clock(), tried)) is not None:
            tried.add(item.number)
            self._set_queue(outbox.begin(self._state.queue, item.number), clock())
            is_delivered = self._send(self._urls[item.address], item.message)
            if is_delivered:
                _log.info("sent: %s", item.message.title)
                reports = note_delivered(self._state.reports, item.message.case, clock())
                self._state = replace(self._state, reports=reports)
            else:
                _log.warning("not delivered, and to be tried again: %s", item.message.title)
            now = clock()
            self._set_queue(outbox.end(self._state.queue, item.number, now, is_delivered=is_delivered), now)

    def _set_queue(self, queue: outbox.Queue, now: float) -> None:
        self._state = replace(self._state, queue=queue)
        self._save(now)

    def _save(self, now: float) -> None:
        """Save the state; where that fails it goes on in memory, since a doubtful message is better than none."""
        try:
            self._folder.save(self._state)
        except OSError as error:
            if self._can_save:
                _log.error("the state cannot be saved, and after a restart messages may come twice: %s", error)
            self._can_save = False
        else:
            self._saved_at, self._can_save = now, True

    def _read_requests(self) -> list[dict[str, Any]]:
        try:
            return self._folder.read_requests()
        except OSError as error:
            _log.error("what commands asked cannot be read: %s", error)
            return []

    def _give_sign_of_life(self, now: float) -> None:
        """Give it only while the daemon answers and alarms get through: else silence is what is to be noticed."""
        is_well = self._state.silent_since is None and not outbox.is_urgent(self._state.queue)
        if self._settings.heartbeat and is_well and not 0 <= now - self._beat_at < HEARTBEAT_SECONDS:
            self._beat_at = now
            self._beat(self._settings.heartbeat)


def describe_silence(error: DaemonSilentError, since: float) -> Finding:
    """Give the finding that the daemon has been silent since a time, and what came instead of an answer."""
    return Finding(
        rule="service-silent",
        kind=Kind.UNVERIFIED,
        severity=Severity.WARNING,
        subject="laneproof",
        key="laneproof",
        summary=f"nothing watches this box: the service does not answer as it should ({error})",
        next_steps=("On the box: 'systemctl status laneproof', and 'journalctl -u laneproof' for what it said last.",),
        since=since,
    )


def apply_request(reports: Reports, request: Mapping[str, Any], positions: Mapping[str, object], now: float) -> Reports:
    """Do what a command asked; what cannot be done is logged."""
    try:
        match request["do"]:
            case "acknowledge":
                return acknowledge(reports, int(request["case"]), str(request["because"]))
            case "start-work":
                since, until = float(request["since"]), float(request["until"])
                return start_work(reports, str(request["text"]), since=since, until=until, labels=positions)
            case "end-work":
                return end_work(reports, now)
    except (KeyError, TypeError, ValueError):
        pass
    _log.warning("passed over a request that cannot be done: %.200s", dict(request))
    return reports
