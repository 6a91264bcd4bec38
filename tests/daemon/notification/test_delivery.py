"""The network of the notifier, against real servers on this machine."""

import socket
import threading
from pathlib import Path
from typing import Any

import pytest

from laneproof.findings import Change, Severity
from laneproof.notification.delivery import (
    DaemonClient,
    DaemonSilentError,
    deliver,
    find_wrong_addresses,
    give_heartbeat,
)
from laneproof.notification.message import Message
from laneproof.notification.settings import NotifySettings
from laneproof.outputs.cases_json import name_finding
from support.receivers import MailServer, WebServer, cases_document, free_port
from support.reported_findings import NARROW, POSITIONS, T

MESSAGE = Message(case=1, kind="raised", severity=Severity.CRITICAL, title="kelp-1: riser-3", body="x2 → x4\nNext: y\n")


def test_mail_and_webhook_get_the_message(caplog: pytest.LogCaptureFixture) -> None:
    mail, hook, mail_port = MailServer(), WebServer(), free_port()
    with mail.running(mail_port), hook.running() as hook_port:
        to = f"127.0.0.1:{mail_port}/?from=laneproof@kelp-1.example&to=owner@kelp-1.example"
        assert deliver(f"mailto://{to}", MESSAGE)
        assert deliver(f"json://127.0.0.1:{hook_port}/", MESSAGE)
        hook.is_down = True
        assert not deliver(f"json://127.0.0.1:{hook_port}/", MESSAGE)
    assert not deliver(f"mailto://{to}", MESSAGE)
    assert mail.subjects == [MESSAGE.title]
    (posted,) = hook.posted
    assert (posted["title"], posted["type"]) == (MESSAGE.title, "failure")
    assert posted["message"].splitlines() == MESSAGE.body.splitlines()
    assert caplog.records  # the library says why


def test_an_address_that_is_none_is_named_without_its_password(caplog: pytest.LogCaptureFixture) -> None:
    urls = ["json://127.0.0.1/", "nothing://s3cret", "mailto://a:b@kelp-1.example", "tgram://s3cret/"]
    assert find_wrong_addresses(urls) == [2, 4]
    assert "s3cret" not in caplog.text
    assert not deliver("nothing://x", MESSAGE)


def test_the_daemon_is_asked_with_its_token(tmp_path: Path) -> None:
    server = WebServer()
    (tmp_path / "token").write_text("t0ken\n")
    change = {"t": T, "at": "2026-09-21T14:13:20Z", "change": "raised", "finding": name_finding(NARROW)}
    server.documents = {
        "/api/v1/cases": cases_document((NARROW,), POSITIONS, T),
        "/api/v1/changes": {"changes": [change]},
    }
    with server.running() as port:
        settings = NotifySettings(
            urls=["x://y"], daemon=f"http://127.0.0.1:{port}/", token_file=str(tmp_path / "token")
        )
        client = DaemonClient(settings)
        standing, taken_at = client.read_standing()
        assert ([finding.identity for finding in standing.findings], taken_at) == (
            [NARROW.identity],
            "2026-09-21T14:13:20Z",
        )
        (changed,) = client.read_changes("2026-09-21T14:00:00Z")
        assert (changed.at, changed.change, changed.finding.identity) == (T, Change.RAISED, NARROW.identity)
        assert server.asked[-1].endswith("?since=2026-09-21T14%3A00%3A00Z")
        wrong: tuple[Any, ...] = ({"changes": [{}]}, [], None)
        for document in wrong:
            server.documents["/api/v1/changes"] = document
            with pytest.raises(DaemonSilentError):
                client.read_changes("2026-09-21T14:00:00Z")
        server.documents["/api/v1/cases"] = {"cases": 1}
        with pytest.raises(DaemonSilentError):
            client.read_standing()
    with pytest.raises(DaemonSilentError, match="refused"):
        client.read_standing()


def test_another_program_at_the_port_is_no_answer() -> None:
    with socket.create_server(("127.0.0.1", 0)) as listener:
        thread = threading.Thread(target=_greet, args=(listener, 2), daemon=True)
        thread.start()
        address = f"http://127.0.0.1:{listener.getsockname()[1]}"
        with pytest.raises(DaemonSilentError):
            DaemonClient(NotifySettings(urls=["x://y"], daemon=address)).read_standing()
        assert not give_heartbeat(address)
        thread.join()


def _greet(listener: socket.socket, times: int) -> None:
    """Speak first, and no HTTP, as a mail server does."""
    for _ in range(times):
        connection, _ = listener.accept()
        with connection:
            connection.recv(4096)
            connection.sendall(b"220 kelp-1.example ESMTP\r\n")


def test_a_library_that_fails_writes_no_password_into_the_log(
    monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    password = "s3cret"  # noqa: S105 (made up)

    def fail(*_: object, **__: Any) -> None:
        raise RuntimeError(f"https://chat.example/{password}")

    monkeypatch.setattr("apprise.Apprise.notify", fail)
    assert not deliver("json://127.0.0.1/", MESSAGE)
    assert "RuntimeError" in caplog.text
    assert password not in caplog.text


def test_a_heartbeat_is_a_question_for_a_url() -> None:
    server = WebServer()
    server.documents["/alive"] = {}
    with server.running() as port:
        assert give_heartbeat(f"http://127.0.0.1:{port}/alive")
        assert not give_heartbeat(f"http://127.0.0.1:{port}/wrong")
    assert not give_heartbeat(f"http://127.0.0.1:{port}/alive")
