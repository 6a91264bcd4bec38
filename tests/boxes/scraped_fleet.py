"""Boxes that are scraped: each answers as the demo does, under a name and with serial numbers of its own."""

import re
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer

from support.receivers import serving

_SERIAL = re.compile(r'serial="([^"]+)"')


def as_box(text: str, name: str) -> str:
    """Give the demo's metrics as those of another box of the same make."""
    return _SERIAL.sub(rf'serial="\1-{name}"', text.replace('box="kelp-1"', f'box="{name}"'))


class ScrapedFleet:
    """What each box answers at ``/NAME``, one server for all."""

    def __init__(self) -> None:
        self.answers: dict[str, Callable[[], str]] = {}

    @contextmanager
    def running(self) -> Iterator[int]:
        server = _Server(("127.0.0.1", 0), type("Handler", (_Handler,), {"fleet": self}))
        with serving(server) as port:
            yield port

    def list_targets(self, port: int) -> list[dict[str, object]]:
        """Give the list of targets as Prometheus reads it from a file; each box has an instance of its own."""
        return [
            {"targets": [f"127.0.0.1:{port}"], "labels": {"__metrics_path__": f"/{name}", "instance": f"{name}:7766"}}
            for name in self.answers
        ]


class _Server(ThreadingHTTPServer):
    daemon_threads = True

    def handle_error(self, *_: object) -> None:
        """Say nothing of a connection that the collector broke off: it counts what it missed."""

    request_queue_size = 256


class _Handler(BaseHTTPRequestHandler):
    fleet: ScrapedFleet
    protocol_version = "HTTP/1.1"  # a collector keeps its connections

    def do_GET(self) -> None:
        body = self.fleet.answers[self.path.strip("/")]().encode()
        self.send_response(200)
        self.send_header("Content-Type", "text/plain; version=0.0.4")
        self.send_header("Content-Length", str(len(body)))
        self.end_headers()
        self.wfile.write(body)

    def log_message(self, *_: object) -> None:
        pass
