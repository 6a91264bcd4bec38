"""What is answered below ``/api/v1``: JSON documents of the last pass and of the past, and what describes them."""

import json
import re
import threading
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import AbstractContextManager, contextmanager
from datetime import datetime
from http import HTTPStatus
from typing import Any, Protocol
from urllib.parse import parse_qs

from laneproof.box.inventory.from_snapshot import make_inventory
from laneproof.engine import PassResult
from laneproof.findings import FindingChange, format_time, order_findings
from laneproof.outputs.audit_json import as_json
from laneproof.outputs.cases_json import cases_as_json, name_finding
from laneproof.outputs.position_past import PositionPast
from laneproof.outputs.trend import as_json as trend_as_json
from laneproof.past.past import Past
from laneproof.service.api_schema import MOST_CHANGES, POSITIONS, ROOT, change_as_json, make_openapi
from laneproof.service.status import MOST_RECENT, DaemonStatus

JSON = "application/json; charset=utf-8"
MONTH_SECONDS = 30 * 86400.0
WAIT_SECONDS = 2.0
"""How long a request waits for another one that reads the history."""
_RFC_3339 = re.compile(r"\d{4}-\d\d-\d\d[Tt]\d\d:\d\d:\d\d(\.\d+)?([Zz]|[+-]\d\d:\d\d)", re.ASCII)
Query = Mapping[str, str]


class PastUnreadableError(Exception):
    """The past cannot be read at this moment."""


class AskedPast(Protocol):
    """What is asked of the past; each question may raise `PastUnreadableError`."""

    def read_changes(self, since: float) -> list[FindingChange]:
        """What became of findings since a time, newest first."""

    def read_episodes(self, since: float | None) -> list[dict[str, Any]]:
        """The disconnects and resets since a time, oldest first."""

    def read_position(self, name: str, since: float | None, default_seconds: float) -> PositionPast:
        """How a position went over time; a `LookupError` where nothing has that name."""

    def read_passes(self) -> Past | None:
        """What the passes add up to, as last kept; None where that is nothing."""


OpenPast = Callable[[], AbstractContextManager[AskedPast]]
"""Opens the past to read it; raises `PastUnreadableError`."""


class _RequestError(Exception):
    def __init__(self, status: HTTPStatus, sentence: str) -> None:
        super().__init__(sentence)
        self.status = status


class Api:
    """The documents. They are made of values that were read before, never of the machine."""

    def __init__(
        self,
        status: Callable[[], DaemonStatus],
        past: AskedPast | None = None,
        *,
        now: Callable[[], float] = time.monotonic,
    ) -> None:
        """Take what gives the latest value, what reads the past, and the clock that passes are stamped by."""
        self._status, self._past, self._now = status, past, now
        self._reading = threading.Lock()  # a history that hangs may hold one thread of the listener, and not all
        self._documents: Mapping[str, Callable[[Query], dict[str, Any]]] = {
            "audit": self._audit,
            "cases": self._cases,
            "changes": self._changes,
            "episodes": self._episodes,
            "openapi.json": lambda _: make_openapi(),
        }

    @property
    def paths(self) -> tuple[str, ...]:
        """The paths of the documents."""
        return (*(ROOT + name for name in self._documents), f"{ROOT}{POSITIONS}NAME")

    def answer(self, path: str, query: str) -> tuple[HTTPStatus, str, bytes]:
        """Answer one GET: a path that begins with `ROOT`, and what follows its question mark."""
        try:
            document = self._find(path.removeprefix(ROOT))(_parse_query(query))
        except _RequestError as error:
            return error.status, JSON, _dump({"error": str(error)})
        except PastUnreadableError as error:
            return HTTPStatus.SERVICE_UNAVAILABLE, JSON, _dump({"error": str(error)})
        return HTTPStatus.OK, JSON, _dump(document)

    def _find(self, name: str) -> Callable[[Query], dict[str, Any]]:
        if name.startswith(POSITIONS):
            return lambda query: self._position(name.removeprefix(POSITIONS), query)
        if name not in self._documents:
            known = ", ".join(self.paths)
            raise _RequestError(HTTPStatus.NOT_FOUND, f"there is nothing at {ROOT}{name[:80]}; there is {known}")
        return self._documents[name]

    def _judged(self) -> tuple[DaemonStatus, PassResult]:
        status = self._status()
        if status.last_pass is None:
            raise _RequestError(HTTPStatus.SERVICE_UNAVAILABLE, "the first pass is not complete")
        return status, status.last_pass

    def _audit(self, _: Query) -> dict[str, Any]:
        status, result = self._judged()
        return as_json(status.build, result.snapshot, result.findings)

    def _cases(self, _: Query) -> dict[str, Any]:
        status, result = self._judged()
        age = max(status.age(self._now()) or 0.0, 0.0)
        return cases_as_json(status.build, result.snapshot, result.findings, age_seconds=age)

    def _changes(self, query: Query) -> dict[str, Any]:
        since, recent = _parse_since(query), self._status().recent
        if since is None:
            changes = list(recent)
        elif self._past is not None and len(recent) >= MOST_RECENT and recent[-1].at >= since:
            with self.open_past() as past:
                changes = past.read_changes(since)
        else:
            changes = [change for change in recent if change.at >= since]
        return {
            "complete": len(changes) <= MOST_CHANGES,
            "changes": [change_as_json(change) for change in changes[:MOST_CHANGES]],
        }

    def _episodes(self, query: Query) -> dict[str, Any]:
        since = _parse_since(query)
        with self.open_past() as past:
            episodes = past.read_episodes(since)
        return {"schema": 1, "since": None if since is None else format_time(since), "episodes": episodes}

    def _position(self, name: str, query: Query) -> dict[str, Any]:
        status, result = self._judged()
        since = _parse_since(query)
        try:
            with self.open_past() as past:
                trend = trend_as_json(past.read_position(name, since, MONTH_SECONDS).trend)
        except LookupError as error:
            raise _RequestError(HTTPStatus.NOT_FOUND, str(error)) from error
        shown = make_inventory(status.build, result.snapshot).positions
        now = next((position.model_dump(mode="json") for position in shown if position.path == trend["path"]), None)
        about = {trend["subject"], trend["path"], trend["drive"]}
        findings = [
            name_finding(finding) for finding in order_findings(result.findings) if finding.identity[1] in about
        ]
        return trend | {"now": now, "findings": findings}

    @contextmanager
    def open_past(self) -> Iterator[AskedPast]:
        """Open the past for one reader at a time."""
        if self._past is None:
            raise PastUnreadableError("no history is kept here")
        if not self._reading.acquire(timeout=WAIT_SECONDS):
            raise PastUnreadableError("the history is being read for another request, or its drive does not answer")
        try:
            yield self._past
        finally:
            self._reading.release()


def _dump(document: Mapping[str, Any]) -> bytes:
    return json.dumps(document).encode() + b"\n"


def _parse_query(query: str) -> Query:
    try:
        return {name: values[-1] for name, values in parse_qs(query, strict_parsing=bool(query)).items()}
    except ValueError as error:
        raise _RequestError(HTTPStatus.BAD_REQUEST, f"not a query: {query[:80]!r}") from error


def _parse_since(query: Query) -> float | None:
    text = query.get("since")
    if text is None:
        return None
    try:
        if not _RFC_3339.fullmatch(text):
            raise ValueError(text)  # noqa: TRY301 (as any other wrong text)
        return max(datetime.fromisoformat(text).timestamp(), 0.0)
    except (ValueError, OverflowError) as error:
        says = f"{text[:40]!r} is no time with its zone (RFC 3339); write since=2026-11-20T08:30:00Z"
        raise _RequestError(HTTPStatus.BAD_REQUEST, says) from error
