"""The notifier's state: whole after any stop, kept aside where it is damaged, and asked for by lines of others."""

import json
from dataclasses import replace
from pathlib import Path

import pytest

from laneproof.findings import Severity
from laneproof.notification.decisions import OpenCase, Reports, start_work
from laneproof.notification.message import Message
from laneproof.notification.outbox import put
from laneproof.notification.state_folder import NotifierState, StateFolder

MESSAGE = Message(case=1, kind="raised", severity=Severity.WARNING, title="x", body="y")
CASE = OpenCase(
    number=1, about="riser-3", rules=("link-narrow",), severities={"a": Severity.WARNING}, reported={}, since=1.0,
    first_seen=2.0, moved_at=3.0,
)  # fmt: skip
STATE = NotifierState(
    reports=start_work(Reports(open=(CASE,), next_number=2), "swap", since=1.0, until=2.0, labels=()),
    queue=put((), [MESSAGE], ["a"], 1),
    next_item=2,
    asked_until="2026-11-20T00:00:00Z",
)


def test_what_is_saved_is_loaded(tmp_path: Path) -> None:
    folder = StateFolder(tmp_path / "new" / "state")
    folder.make()
    assert folder.load() == NotifierState()
    folder.save(STATE)
    assert folder.load() == STATE


def test_a_damaged_state_is_kept_aside(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    folder = StateFolder(tmp_path)
    (tmp_path / "state.json").write_text('{"version": 1, "queue": [')
    assert folder.load() == NotifierState()
    assert (tmp_path / "state.damaged").read_text().startswith('{"version"')
    assert "state.json was damaged" in caplog.text


def test_another_versions_state_is_left_alone(tmp_path: Path) -> None:
    folder = StateFolder(tmp_path)
    folder.save(replace(STATE, version=2))
    for content in ((tmp_path / "state.json").read_text(), '{"version": 2, "queue": {"a": 1}}'):
        (tmp_path / "state.json").write_text(content)
        with pytest.raises(OSError, match="another version"):
            folder.load()
        assert (tmp_path / "state.json").read_text() == content


def test_requests_are_read_until_they_are_cleared(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    folder = StateFolder(tmp_path)
    assert folder.read_requests() == []
    folder.request({"do": "end-work"})
    assert folder.has_requests
    with (tmp_path / "requests.jsonl").open("a") as out:
        out.write("nonsense\n[1]\n")
    folder.request({"do": "acknowledge", "case": 1, "because": "ü"})
    wanted = [{"do": "end-work"}, {"do": "acknowledge", "case": 1, "because": "ü"}]
    assert folder.read_requests() == wanted
    folder.request({"do": "later"})
    assert folder.read_requests() == wanted  # stopped before they were in the state: read again
    folder.clear_requests()
    assert folder.read_requests() == [{"do": "later"}]
    assert "no request: nonsense" in caplog.text
    assert json.dumps([1]) in caplog.text
