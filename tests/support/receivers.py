"""A mail server and a webhook on this machine, which keep what they get; and a daemon that answers from a table."""

import json
import socket
import threading
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from email import message_from_bytes, policy
from http.server import BaseHTTPRequestHandler, HTTPServer, ThreadingHTTPServer
from typing import Any

from aiosmtpd.controller import Controller

from laneproof.findings import Finding, format_time
from laneproof.outputs.cases_json import PositionFacts, name_finding


def free_port() -> int:
    with socket.socket() as listener:
        listener.bind(("127.0.0.1", 0))
        port: int = listener.getsockname()[1]
        return port


class MailServer:
    """Keeps the subject of each mail."""

    def __init__(self) -> None:
        self.subjects: list[str] = []

    async def handle_DATA(self, _server: object, _session: object, envelope: Any) -> str:  # noqa: ANN401, N802 (its names)
        mail = message_from_bytes(envelope.content, policy=policy.default)
        self.subjects.append(str(mail["Subject"]))
        return "250 kept"

    @contextmanager
    def running(self, port: int) -> Iterator[None]:
        controller = Controller(self, hostname="127.0.0.1", port=port)
        controller.start()
        try:
            yield
        finally:
            controller.stop()


@contextmanager
def serving(server: HTTPServer) -> Iterator[int]:
    """Let a server answer, in a thread of its own; give its port."""
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.05})
    thread.start()
    try:
        yield server.server_port
    finally:
        server.shutdown()
        server.server_close()
        thread.join()


class WebServer:
    """Answers GET from a table of documents, and keeps each posted one; while it is down it refuses."""

    def __init__(self) -> None:
        self.posted: list[dict[str, Any]] = []
        self.asked: list[str] = []
        self.documents: dict[str, object] = {}
        self.is_down = False

    @contextmanager
    def running(self) -> Iterator[int]:
        server = ThreadingHTTPServer(("127.0.0.1", 0), type("Handler", (_Handler,), {"kept": self}))
        with serving(server) as port:
            yield port


class _Handler(BaseHTTPRequestHandler):
    kept: WebServer

    def do_GET(self) -> None:
        path = self.path.partition("?")[0]
        self.kept.asked.append(self.path)
        self._reply(self.kept.documents.get(path))

    def do_POST(self) -> None:
        content = json.loads(self.rfile.read(int(self.headers["Content-Length"])))
        if not self.kept.is_down:
            self.kept.posted.append(content)
        self._reply({})

    def _reply(self, document: object) -> None:
        body = json.dumps(document).encode()
        self.send_response(503 if self.kept.is_down or document is None else 200)
        self.send_header("Content-Length", str(len(body)))
        self.end_headers()
        self.wfile.write(body)

    def log_message(self, *_: object) -> None:
        pass


def cases_document(findings: tuple[Finding, ...], positions: Mapping[str, PositionFacts], now: float) -> dict[str, Any]:
    """Give what the daemon answers for these findings."""
    return {
        "schema": 1,
        "box": "kelp-1",
        "taken_at": format_time(now),
        "age_seconds": 1.0,
        "cases": [{"about": "", "findings": [name_finding(finding)]} for finding in findings],
        "positions": {
            label: {"path": "", "slot": facts.slot, "serial": facts.serial} for label, facts in positions.items()
        },
    }
