"""The listener: who is answered and with which headers, and what clients cannot do to it."""

import contextlib
import errno
import gzip
import http.client
import socket
import time
import urllib.request
from collections.abc import Callable, Iterator
from dataclasses import replace
from http import HTTPStatus
from typing import Any

import pytest

from boxes.running_daemon import Rig
from laneproof.service import listener
from laneproof.service.access import Access
from laneproof.service.http import Pages
from laneproof.service.listener import Server
from support.asked_service import Client, publish
from support.waiting import wait_for


@pytest.mark.parametrize("path", ["/", "/style.css", "/metrics", "/health", "/api/v1/audit", "/nothing"])
def test_every_answer_may_load_nothing_from_elsewhere(client: Client, path: str) -> None:
    _, headers, _ = client.ask(path)
    policy = dict(part.strip().split(" ", 1) for part in headers["Content-Security-Policy"].split(";"))
    assert policy["default-src"] == "'none'"
    assert all(value in ("'self'", "'none'") for value in policy.values())
    assert headers["X-Content-Type-Options"] == "nosniff"
    assert headers["Cache-Control"] == "no-store"
    assert headers["Server"].strip() == "laneproof"  # and no version of the language


def test_head_has_the_headers_and_no_body(client: Client) -> None:
    _, headers, body = client.ask("/health", "HEAD")
    assert (headers["Content-Length"], body) == ("5", b"")


@pytest.mark.parametrize("method", ["POST", "PUT", "DELETE", "PATCH", "OPTIONS"])
def test_nothing_can_be_changed(client: Client, method: str) -> None:
    status, headers, _ = client.ask("/api/v1/audit", method)
    assert (status, headers["Allow"]) == (HTTPStatus.METHOD_NOT_ALLOWED, "GET, HEAD")


def test_a_fault_in_an_answer_is_500_and_the_next_is_answered(client: Client, caplog: pytest.LogCaptureFixture) -> None:
    sound = client.status
    client.status = replace(sound, last_pass=object())  # type: ignore[arg-type] # the fault
    status, _, body = client.ask("/api/v1/audit")
    assert (status, body) == (HTTPStatus.INTERNAL_SERVER_ERROR, b"failed; see the log\n")
    assert "answering '/api/v1/audit' failed" in caplog.text
    client.status = sound
    assert client.ask("/api/v1/audit")[0] == 200


@pytest.mark.parametrize(
    "raw", [b"", b"\r\n\r\n", b"GET\r\n", b"\xff\xfe\x00" * 50, b"GET " + b"/" * 70_000, b"GET / HTTP/9"]
)
def test_noise_and_clients_that_leave_do_no_harm(
    client: Client, raw: bytes, capsys: pytest.CaptureFixture[str]
) -> None:
    with socket.create_connection(("127.0.0.1", client.server.port), timeout=5) as connection:
        connection.sendall(raw)
    assert client.ask("/health")[0] == 200
    assert "Traceback" not in capsys.readouterr().err


def test_a_port_that_is_taken_is_an_error_of_the_system(client: Client) -> None:
    with pytest.raises(OSError, match="Address already in use"):
        Server("127.0.0.1", client.server.port, Pages(lambda: client.status))


@pytest.mark.skipif(not socket.has_ipv6, reason="needs IPv6, which this system lacks")
def test_it_listens_at_an_ipv6_address_too() -> None:
    try:
        server = Server("::1", 0, Pages(publish))
    except OSError as error:
        pytest.skip(f"needs an IPv6 loopback address: {error}")
    server.start()
    with contextlib.closing(http.client.HTTPConnection("::1", server.port, timeout=10)) as connection:
        connection.request("GET", "/ready")
        assert connection.getresponse().status == 200
    server.close()


# --- who is answered --------------------------------------------------------------------------------------------------


def test_who_asks_for_another_name_is_refused_with_the_same_headers(client: Client) -> None:
    status, headers, body = client.ask("/api/v1/audit", Host="rebound.example")
    assert status == HTTPStatus.MISDIRECTED_REQUEST  # RFC 9110, 15.5.20
    assert b"kelp-1" not in body
    assert headers["Content-Security-Policy"].startswith("default-src 'none'")


def test_where_a_token_is_asked_for_nothing_is_answered_without_it() -> None:
    access = Access("127.0.0.1", token="a-token-of-sixteen")  # noqa: S106 (an example)
    with contextlib.closing(Client(publish(), access)) as made:
        for path in ("/", "/metrics", "/health", "/nothing"):
            status, headers, body = made.ask(path)
            assert (status, headers.get_all("WWW-Authenticate")) == (  # RFC 9110, 11.6.1; RFC 6750, 3
                401,
                ['Bearer realm="laneproof"', 'Basic realm="laneproof"'],
            )
            assert b"kelp-1" not in body
        assert made.ask("/metrics", Authorization="Bearer a-token-of-sixteen")[0] == 200


# --- what is sent -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("accepted", "packed"),
    [("gzip", True), ("br, GZIP;q=0.5", True), ("gzip;q=0", False), ("gzip; q=0.0", False), ("br", False), ("", False)],
)
def test_an_answer_is_packed_where_the_client_takes_it(client: Client, accepted: str, *, packed: bool) -> None:
    plain = client.ask("/api/v1/audit")[2]
    _, headers, body = client.ask("/api/v1/audit", **{"Accept-Encoding": accepted})
    assert (headers["Content-Encoding"] == "gzip") == packed  # RFC 9110, 12.5.3
    assert (gzip.decompress(body) if packed else body) == plain
    assert headers["Content-Length"] == str(len(body))
    assert headers["Vary"] == "Accept-Encoding"
    assert client.ask("/health", **{"Accept-Encoding": accepted})[1]["Content-Encoding"] is None  # as short as a packet


def exchange(client: Client, raw: bytes) -> bytes:
    """Send bytes, and give all that comes until the other end closes."""
    with socket.create_connection(("127.0.0.1", client.server.port), timeout=30) as connection:
        connection.sendall(raw)
        return b"".join(iter(lambda: connection.recv(65536), b""))


@pytest.mark.parametrize(
    ("raw", "status"),
    [
        ((b"GET / HTTP/1.1\r\nHost: localhost\r\nX: ").ljust(16 << 10, b"y"), 431),  # RFC 6585, 5
        (b"POST / HTTP/1.1\r\nHost: localhost\r\nContent-Length: 100000\r\n\r\n", 413),
        (b"GET / HTTP/1.1\r\nHost : localhost\r\n\r\n", 400),  # RFC 9112, 5.1: no space before the colon
        (b"GET / HTTP/1.1\r\nHost: localhost\r\nTransfer-Encoding: strange\r\n\r\n", 501),
    ],
)
def test_what_is_no_request_gets_the_headers_of_every_answer(client: Client, raw: bytes, status: int) -> None:
    head, _, body = exchange(client, raw).partition(b"\r\n\r\n")
    lines = head.decode().split("\r\n")
    assert lines[0].split()[1] == str(status)
    headers = dict(line.split(": ", 1) for line in lines[1:])
    assert headers.items() >= dict(listener.HEADERS).items()
    assert (headers["Server"], headers["Connection"]) == ("laneproof", "close")
    assert b"waitress" not in body


def test_a_connection_takes_several_requests(client: Client) -> None:
    with contextlib.closing(http.client.HTTPConnection("127.0.0.1", client.server.port, timeout=10)) as connection:
        for _ in range(3):
            connection.request("GET", "/health")
            response = connection.getresponse()
            assert (response.version, response.read()) == (11, b"live\n")


# --- what clients cannot do -------------------------------------------------------------------------------------------


@contextlib.contextmanager
def slow_clients(client: Client, count: int) -> Iterator[list[socket.socket]]:
    """Hold connections open that have sent half a request."""
    with contextlib.ExitStack() as opened:
        yield [opened.enter_context(_half_request(client)) for _ in range(count)]


def _half_request(client: Client) -> socket.socket:
    connection = socket.create_connection(("127.0.0.1", client.server.port), timeout=30)
    connection.sendall(b"GET /metrics HTTP/1.1\r\nHost: loc")
    return connection


def test_a_crowd_of_slow_clients_keeps_nobody_out(client: Client) -> None:
    with slow_clients(client, 3 * listener.MOST_CONNECTIONS):
        for _ in range(20):
            assert client.ask("/metrics")[0] == 200
        assert len(client.server.active_channels) <= listener.MOST_CONNECTIONS


def trickle(connection: socket.socket) -> None:
    with contextlib.suppress(OSError):
        connection.sendall(b"x")


@pytest.mark.parametrize("act", [lambda _: None, trickle])
def test_a_request_that_does_not_end_is_let_go(
    client: Client, monkeypatch: pytest.MonkeyPatch, act: Callable[[socket.socket], None]
) -> None:
    monkeypatch.setattr(listener, "REQUEST_SECONDS", 0.3)
    with slow_clients(client, 1) as (connection,):
        connection.settimeout(0.05)
        end = time.monotonic() + 30
        while time.monotonic() < end:
            act(connection)
            try:
                assert connection.recv(1) == b""
            except TimeoutError:
                continue
            except ConnectionResetError:
                pass
            break
        else:
            pytest.fail("it was not let go")


def test_a_file_that_cannot_be_had_is_reported_once_and_survived(
    client: Client, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    monkeypatch.setattr(listener, "REST_SECONDS", 0.05)
    accept, refused = client.server.accept, list[int]()

    def refuse() -> object:
        if len(refused) < 3:
            refused.append(1)
            raise OSError(errno.EMFILE, "Too many open files")
        return accept()

    monkeypatch.setattr(client.server, "accept", refuse)
    assert client.ask("/health")[0] == 200
    assert [record.message for record in caplog.records] == [
        "the listener takes no connection at the moment: too many open files",
        "the listener takes connections again",
    ]


def test_memory_that_cannot_be_had_does_not_close_the_listener(
    client: Client, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    def refuse(*_: object, **__: Any) -> None:
        raise MemoryError

    with monkeypatch.context() as without, contextlib.suppress(OSError, http.client.HTTPException):
        without.setattr(client.server, "set_socket_options", refuse)
        client.ask("/health")
    wait_for(lambda: "the listener failed, and goes on" in caplog.text)  # the connection ends before that is said
    assert client.ask("/health")[0] == 200


def test_a_thread_that_cannot_be_had_is_an_error_of_the_start(monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(*_: object) -> None:
        raise RuntimeError("can't start new thread")

    made = Server("127.0.0.1", 0, Pages(publish))
    monkeypatch.setattr(made.task_dispatcher, "start_new_thread", refuse)
    with pytest.raises(RuntimeError, match="thread"):
        made.start()
    made.close()


def test_slow_clients_and_many_requests_leave_the_readings_alone(rig: Rig) -> None:
    """The figures with a thousand of them are taken by benchmarks.listener_load."""
    rig.start()
    before = {group: run.failed for group, run in rig.daemon.status.runs.items()}
    server = Server("127.0.0.1", 0, Pages(lambda: rig.daemon.status))
    server.start()
    with contextlib.ExitStack() as opened:
        opened.callback(server.close)
        for _ in range(100):
            slow = opened.enter_context(socket.create_connection(("127.0.0.1", server.port), timeout=10))
            slow.sendall(b"GET / HTTP/1.1\r\n")
        for _ in range(100):
            with urllib.request.urlopen(f"http://127.0.0.1:{server.port}/metrics", timeout=10) as answer:
                assert answer.status == 200
        rig.passes()
    assert {group: run.failed for group, run in rig.daemon.status.runs.items()} == before
    assert rig.daemon.status.overdue == {}
