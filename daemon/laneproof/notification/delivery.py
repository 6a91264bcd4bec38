"""The network of the notifier: asks the daemon, delivers through Apprise, and gives a sign of life."""

import http.client
import json
import logging
import traceback
import urllib.error
import urllib.parse
import urllib.request
from collections.abc import Mapping
from datetime import datetime
from pathlib import Path
from typing import Any

from laneproof.findings import Change, FindingChange, Severity
from laneproof.notification.message import Message
from laneproof.notification.settings import NotifySettings
from laneproof.outputs.cases_json import StandingFindings, read_cases, read_finding

_log = logging.getLogger(__name__)

PATIENCE_SECONDS = 10.0
_MOST_BYTES = 32 << 20
_NO_ANSWER = (OSError, ValueError, http.client.HTTPException)
"""What comes instead of an answer; the last is what another program says at this port."""


class DaemonSilentError(Exception):
    """The daemon does not answer, or not as it should."""


class DaemonClient:
    """Asks the daemon over HTTP."""

    def __init__(self, settings: NotifySettings) -> None:
        """Name it; nothing is asked yet."""
        self._address = settings.daemon.rstrip("/")
        self._token_file = settings.token_file

    def read_standing(self) -> tuple[StandingFindings, str]:
        """Ask what stands, and the time of that pass, RFC 3339.

        Raises:
            DaemonSilentError: There is no answer to be used.
        """
        document = self._get("/api/v1/cases")
        try:
            return read_cases(document), str(document["taken_at"])
        except (ValueError, KeyError) as error:
            raise DaemonSilentError(str(error)) from error

    def read_changes(self, since: str) -> list[FindingChange]:
        """Ask what became of findings since a time, RFC 3339.

        Raises:
            DaemonSilentError: There is no answer to be used.
        """
        document = self._get(f"/api/v1/changes?{urllib.parse.urlencode({'since': since})}")
        try:
            return [
                FindingChange(
                    at=datetime.fromisoformat(change["at"]).timestamp(),
                    change=Change(change["change"]),
                    finding=read_finding(change["finding"]),
                )
                for change in document["changes"]
            ]
        except (ValueError, KeyError, TypeError) as error:
            raise DaemonSilentError(f"not a list of changes: {type(error).__name__} {error}") from error

    def _get(self, path: str) -> Any:  # noqa: ANN401 (parsed JSON)
        try:
            headers = (
                {"Authorization": f"Bearer {Path(self._token_file).read_text().strip()}"} if self._token_file else {}
            )
            return json.loads(_fetch(self._address + path, headers))
        except _NO_ANSWER as error:
            raise DaemonSilentError(f"{self._address}: {error}") from error


def _fetch(address: str, headers: Mapping[str, str] | None = None) -> bytes:
    request = urllib.request.Request(address, headers=dict(headers or {}))  # noqa: S310 (the settings allow http alone)
    with urllib.request.urlopen(request, timeout=PATIENCE_SECONDS) as answer:  # noqa: S310 (likewise)
        content: bytes = answer.read(_MOST_BYTES)
        return content


def give_heartbeat(url: str) -> bool:
    """Ask for a URL, so that who waits there knows that the watch goes on; whether it answered."""
    try:
        _fetch(url)
    except _NO_ANSWER as error:
        _log.warning("the heartbeat's address does not answer: %s", error)
        return False
    return True


def deliver(url: str, message: Message) -> bool:
    """Deliver a message to one address, written as Apprise does; whether it was taken."""
    import apprise  # noqa: PLC0415 (this process alone sends anything, and only when there is something to send)

    kinds = {Severity.CRITICAL: apprise.NotifyType.FAILURE, Severity.WARNING: apprise.NotifyType.WARNING}
    is_good_news = message.kind == "cleared"
    kind = apprise.NotifyType.SUCCESS if is_good_news else kinds.get(message.severity, apprise.NotifyType.INFO)
    receiver = apprise.Apprise()
    if not receiver.add(url):
        return False
    try:
        form = apprise.NotifyFormat.TEXT
        return bool(receiver.notify(body=message.body, title=message.title, notify_type=kind, body_format=form))
    except Exception as error:  # noqa: BLE001 (a fence: one of a hundred libraries must not end the others' delivery)
        last = traceback.extract_tb(error.__traceback__)[-1]  # without its words, which may hold a password
        _log.error("delivering failed: %s (%s, line %s)", type(error).__name__, last.filename, last.lineno)
        return False


def find_wrong_addresses(urls: list[str]) -> list[int]:
    """Give the numbers, from 1, of the addresses that Apprise cannot read."""
    import apprise  # noqa: PLC0415 (likewise)

    log = logging.getLogger("apprise")
    was_disabled, log.disabled = log.disabled, True  # it would write a wrong address down, with its password
    try:
        return [number for number, url in enumerate(urls, start=1) if apprise.Apprise.instantiate(url) is None]
    finally:
        log.disabled = was_disabled
