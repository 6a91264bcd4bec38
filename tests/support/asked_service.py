"""A listener of the service on a free port, what it publishes, and a client that asks it."""

import contextlib
import http.client

from boxes.troubled_box import troubled
from laneproof.service.access import Access
from laneproof.service.http import Pages
from laneproof.service.listener import Server
from laneproof.service.status import CollectorRun, DaemonStatus

NOW = 5000.0


def publish() -> DaemonStatus:
    judged = troubled()
    runs = {
        "functions": CollectorRun(finished_at=1_790_000_000.0, seconds=0.02, failed=False),
        "thermal": CollectorRun(finished_at=1_789_999_000.0, seconds=0.01, failed=True),
    }
    return DaemonStatus(
        build=judged.build,
        last_pass=judged.as_pass(),
        runs=runs,
        overdue={"memory": 61.0},
        changes={("raised", "warning"): 2},
        disconnects={"0000:00/01.2": 3, "0000:00/09.0": 1},
        judged_at=NOW - 61.0,
        complete=True,
        alive_at=NOW,
    )


class Client:
    """Asks one server, and holds what it publishes."""

    def __init__(self, status: DaemonStatus, access: Access | None = None) -> None:
        self.status = status
        self.server = Server("127.0.0.1", 0, Pages(lambda: self.status, now=lambda: NOW + 1.0), access)
        self.server.start()
        self.close = self.server.close

    def ask(
        self, path: str, method: str = "GET", accept: str = "*/*", **more: str
    ) -> tuple[int, http.client.HTTPMessage, bytes]:
        connection = http.client.HTTPConnection("127.0.0.1", self.server.port, timeout=10)
        with contextlib.closing(connection):
            connection.request(method, path, headers={"Accept": accept, **more})
            response = connection.getresponse()
            return response.status, response.headers, response.read()
