"""What is answered below /api/v1: documents, and a sentence where there is none."""

import json
import threading
from http import HTTPStatus
from typing import Any, NoReturn

import pytest

from boxes.troubled_box import SIGN, troubled
from laneproof.findings import Change, FindingChange
from laneproof.service.api import Api
from laneproof.service.status import DaemonStatus

CHANGES = tuple(
    FindingChange(at=1_790_000_000.0 + at, change=change, finding=SIGN)
    for at, change in ((60.0, Change.CLEARED), (0.0, Change.RAISED))
)


def publish() -> DaemonStatus:
    judged = troubled()
    return DaemonStatus(build=judged.build, last_pass=judged.as_pass(), judged_at=10.0, recent=CHANGES)


def ask(path: str, query: str = "", status: DaemonStatus | None = None) -> tuple[int, dict[str, Any]]:
    answer, content_type, body = Api(lambda: status or publish(), now=lambda: 14.0).answer(f"/api/v1/{path}", query)
    assert content_type == "application/json; charset=utf-8"
    return answer, json.loads(body)


def test_the_cases_say_how_old_they_are() -> None:
    status, document = ask("cases")
    assert (status, document["box"], document["age_seconds"]) == (200, "kelp-1", 4.0)


@pytest.mark.parametrize(
    ("query", "changes"),
    [
        ("", ["cleared", "raised"]),
        ("since=2026-09-21T14:14:00Z", ["cleared"]),
        ("since=2026-09-21T16:13:20%2B02:00", ["cleared", "raised"]),
        ("since=2026-09-22T00:00:00Z", []),
    ],
)
def test_changes_are_given_since_a_time(query: str, changes: list[str]) -> None:
    status, document = ask("changes", query)
    assert status == 200
    assert [change["change"] for change in document["changes"]] == changes
    assert document["complete"] is True


def test_a_change_has_its_time_in_both_forms_and_the_name_that_stays() -> None:
    first = ask("changes")[1]["changes"][0]
    assert (first["t"], first["at"], first["finding"]["about"]) == (1_790_000_060.0, "2026-09-21T14:14:20Z", "riser-2")
    assert SIGN.as_json().items() <= first["finding"].items()


@pytest.mark.parametrize("query", ["since=yesterday", "since=2026-09-21T14:14:00", "since", "since=9999999-01-01"])
def test_a_time_that_is_none_is_refused_with_a_sentence(query: str) -> None:
    status, document = ask("changes", query)
    assert status == HTTPStatus.BAD_REQUEST
    assert "since" in str(document["error"])


@pytest.mark.parametrize(("path", "status"), [("audit", 503), ("cases", 503), ("changes", 200), ("none", 404)])
def test_before_the_first_pass(path: str, status: int) -> None:
    assert ask(path, status=DaemonStatus())[0] == status


class HangingPast:
    """A history on a drive that answers nothing until it is let go."""

    def __init__(self) -> None:
        self.begun, self.let_go = threading.Event(), threading.Event()

    def read_episodes(self, since: float | None) -> list[dict[str, object]]:
        assert since is None
        self.begun.set()
        self.let_go.wait(60)
        return []

    def read_changes(self, since: float) -> list[FindingChange]:
        raise AssertionError(since)

    def read_position(self, name: str, since: float | None, default_seconds: float) -> NoReturn:
        raise AssertionError(name, since, default_seconds)

    def read_passes(self) -> NoReturn:
        raise AssertionError


def test_a_history_that_hangs_holds_one_request_and_no_other(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("laneproof.service.api.WAIT_SECONDS", 0.05)
    past, answers = HangingPast(), []
    api = Api(publish, past, now=lambda: 14.0)
    first = threading.Thread(target=lambda: answers.append(api.answer("/api/v1/episodes", "")))
    first.start()
    assert past.begun.wait(60)
    status, _, body = api.answer("/api/v1/episodes", "")
    assert (status, b"the history is being read" in body) == (HTTPStatus.SERVICE_UNAVAILABLE, True)
    assert api.answer("/api/v1/cases", "")[0] == HTTPStatus.OK
    past.let_go.set()
    first.join()
    assert answers[0][0] == HTTPStatus.OK
    assert api.answer("/api/v1/episodes", "")[0] == HTTPStatus.OK
    assert Api(publish).answer("/api/v1/episodes", "")[0] == HTTPStatus.SERVICE_UNAVAILABLE
