"""What is answered below ``/api/v1``: JSON documents of the last pass and of the past, and what describes them."""

import json
import time
from collections.abc import Callable, Mapping
from datetime import datetime
from http import HTTPStatus
from typing import Any
from urllib.parse import parse_qs

from laneproof.findings import format_time
from laneproof.outputs.audit_json import as_json
from laneproof.outputs.cases_json import cases_as_json, name_finding
from laneproof.service.status import DaemonStatus

JSON = "application/json; charset=utf-8"
ROOT = "/api/v1/"
JsonReply = tuple[HTTPStatus, str, bytes]
_NOT_READY = HTTPStatus.SERVICE_UNAVAILABLE, "the first pass is not complete"


class RequestError(Exception):
    """A request that is answered with a status and a sentence."""

    def __init__(self, status: HTTPStatus, sentence: str) -> None:
        """Say which, and why."""
        super().__init__(sentence)
        self.status = status


class Api:
    """The documents. It reads values that were made before, and never the machine."""

    def __init__(self, status: Callable[[], DaemonStatus], *, now: Callable[[], float] = time.monotonic) -> None:
        """Take what gives the latest value, and the clock that its passes are stamped by."""
        self._status, self._now = status, now
        self._documents: Mapping[str, Callable[[Mapping[str, str]], dict[str, Any]]] = {
            "audit": self._audit,
            "cases": self._cases,
            "changes": self._changes,
        }

    @property
    def paths(self) -> tuple[str, ...]:
        """The paths of the documents."""
        return tuple(ROOT + name for name in self._documents)

    def answer(self, path: str, query: str) -> JsonReply:
        """Answer one GET.

        Args:
            path: The path, which begins with `ROOT`.
            query: What follows its question mark.
        """
        document = self._documents.get(path.removeprefix(ROOT))
        if document is None:
            sentence = f"there is nothing at {path[:80]}; there is {', '.join(self.paths)}"
            return HTTPStatus.NOT_FOUND, JSON, _dump({"error": sentence})
        try:
            return HTTPStatus.OK, JSON, _dump(document(_parse_query(query)))
        except RequestError as error:
            return error.status, JSON, _dump({"error": str(error)})

    def _audit(self, _: Mapping[str, str]) -> dict[str, Any]:
        status = self._status()
        if status.last_pass is None:
            raise RequestError(*_NOT_READY)
        return as_json(status.build, status.last_pass.snapshot, status.last_pass.findings)

    def _cases(self, _: Mapping[str, str]) -> dict[str, Any]:
        status = self._status()
        if status.last_pass is None or status.judged_at is None:
            raise RequestError(*_NOT_READY)
        result, age = status.last_pass, max(self._now() - status.judged_at, 0.0)
        return cases_as_json(status.build, result.snapshot, result.findings, age_seconds=age)

    def _changes(self, query: Mapping[str, str]) -> dict[str, Any]:
        since = _parse_since(query)
        changes = [
            {
                "t": change.at,
                "at": format_time(change.at),
                "change": str(change.change),
                "finding": name_finding(change.finding),
            }
            for change in self._status().recent
            if since is None or change.at >= since
        ]
        return {"changes": changes}


def _dump(document: Mapping[str, Any]) -> bytes:
    return json.dumps(document).encode() + b"\n"


def _parse_query(query: str) -> dict[str, str]:
    try:
        return {name: values[-1] for name, values in parse_qs(query, strict_parsing=bool(query)).items()}
    except ValueError as error:
        raise RequestError(HTTPStatus.BAD_REQUEST, f"not a query: {query[:80]!r}") from error


def _parse_since(query: Mapping[str, str]) -> float | None:
    text = query.get("since")
    if text is None:
        return None
    try:
        moment = datetime.fromisoformat(text)
        if moment.tzinfo is None:
            raise ValueError("no zone")  # noqa: TRY301 (as any other wrong text)
        return moment.timestamp()
    except (ValueError, OverflowError) as error:
        form = "since=2026-11-20T08:30:00Z"
        raise RequestError(
            HTTPStatus.BAD_REQUEST, f"{text[:40]!r} is no time with its zone (RFC 3339); write {form}"
        ) from error
