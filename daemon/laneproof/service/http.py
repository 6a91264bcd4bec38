"""Answers HTTP from the daemon's status: page, metrics, health, readiness, audit. A request never touches hardware."""

import time
from collections.abc import Callable, Iterator
from http import HTTPStatus
from importlib import resources
from itertools import product

from prometheus_client import CollectorRegistry, ProcessCollector
from prometheus_client.exposition import choose_encoder
from prometheus_client.metrics_core import Metric as Family
from prometheus_client.registry import Collector

from laneproof.box.placement import arrange
from laneproof.findings import Change, Severity
from laneproof.outputs.metric_table import Sample
from laneproof.outputs.metrics import list_judge_samples, list_samples, make_families
from laneproof.outputs.page.page import PageFacts, draw_icon, write_page
from laneproof.outputs.page.shell import ICON, SCRIPT, STYLE
from laneproof.outputs.proof_metrics import list_proof_samples
from laneproof.proof.last_proven import describe_last
from laneproof.service.api import Api, AskedPast
from laneproof.service.api_schema import ROOT
from laneproof.service.position_pages import GUIDE, HTML, POSITION, TEXT, PositionPages, Reply
from laneproof.service.status import DaemonStatus

ALIVE_WITHIN_SECONDS = 60.0
"""The loop goes round every few seconds; one that did not for this long hangs."""


class StatusCollector(Collector):
    """Turns the daemon's status into metric families when it is scraped."""

    def __init__(self, status: Callable[[], DaemonStatus]) -> None:
        """Take what gives the latest value."""
        self._status = status

    def collect(self) -> Iterator[Family]:
        """Give all families."""
        return make_families(_samples(self._status()))


def _samples(status: DaemonStatus) -> Iterator[Sample]:
    result = status.last_pass
    if result is not None:
        yield from list_samples(status.build, result.snapshot, result.findings)
    yield from list_judge_samples(status.build, status.build_problem)
    yield from list_proof_samples(status.proofs)
    for change, severity in product(Change, Severity):  # a counter is there from 0, so that its first step is seen
        labels = str(change), str(severity)
        yield "finding_changes", labels, status.changes.get(labels, 0)
    for group, run in status.runs.items():
        yield "reading_seconds", (group,), run.seconds
        yield "reading_complete", (group,), float(not run.failed and group not in status.overdue)
        yield "reading_timestamp_seconds", (group,), run.finished_at
    for group in status.runs.keys() | status.overdue.keys():
        yield "reading_overdue_seconds", (group,), status.overdue.get(group, 0.0)
    for path, count in status.disconnects.items():
        position = status.build.position_at(path) if status.build else None
        yield "drops", (position.label if position else path,), count
    yield "kernel_log_lost_records", (), status.lost_records
    if (ring := status.ring) is not None:
        yield "evidence_written_bytes", (), ring.written_bytes
        yield "evidence_failures", (), ring.failures
        if ring.delay_seconds is not None:
            yield "evidence_delay_seconds", (), ring.delay_seconds


class Pages:
    """What is answered at each path. Pure but for the clock of the watchdog."""

    def __init__(
        self,
        status: Callable[[], DaemonStatus],
        *,
        past: AskedPast | None = None,
        now: Callable[[], float] = time.monotonic,
    ) -> None:
        """Take what gives the latest value, and what reads the past; None where there is none to be read."""
        self._status = status
        self._now = now
        self._registry = CollectorRegistry(auto_describe=False)
        self._registry.register(StatusCollector(status))
        ProcessCollector(registry=self._registry)
        self._routes: dict[str, Callable[[str], Reply]] = {
            "/": self._page,
            STYLE: lambda _: _file("page.css", "text/css; charset=utf-8"),
            SCRIPT: lambda _: _file("page.js", "text/javascript; charset=utf-8"),
            ICON: self._icon,
            "/metrics": self._metrics,
            "/health": self._health,
            "/ready": self._ready,
        }
        self._api = Api(status, past, now=now)
        self._positions = PositionPages(status, self._api.open_past, now)

    def answer(self, path: str, accept: str, query: str = "") -> Reply:
        """Answer one GET."""
        if path.startswith(ROOT):
            return self._api.answer(path, query)
        if (reply := self._positions.answer(path, query)) is not None:
            return reply
        route = self._routes.get(path)
        if route is None:
            known = ", ".join((*self._routes, f"{POSITION}NAME", f"{GUIDE}NAME", *self._api.paths))
            return HTTPStatus.NOT_FOUND, TEXT, f"there is nothing at {path[:80]}; there is {known}\n".encode()
        return route(accept)

    def _page(self, _: str) -> Reply:
        status = self._status()
        result = status.last_pass
        facts = PageFacts(
            build=status.build,
            problem=status.build_problem,
            snapshot=result.snapshot if result else None,
            findings=result.findings if result else (),
            overdue=status.overdue,
            recent=status.recent,
            proven=describe_last(status.proofs, arrange(status.build, result.snapshot)) if result else None,
            age_seconds=status.age(self._now()),
        )
        answer = HTTPStatus.OK if result else HTTPStatus.SERVICE_UNAVAILABLE
        return answer, HTML, write_page(facts).encode()

    def _icon(self, _: str) -> Reply:
        status = self._status()
        findings = status.last_pass.findings if status.last_pass else None
        return HTTPStatus.OK, "image/svg+xml", draw_icon(findings, declared=status.build is not None).encode()

    def _metrics(self, accept: str) -> Reply:
        encode, content_type = choose_encoder(accept)
        return HTTPStatus.OK, content_type, encode(self._registry)

    def _health(self, _: str) -> Reply:
        silent = self._now() - self._status().alive_at
        if silent > ALIVE_WITHIN_SECONDS:
            return HTTPStatus.SERVICE_UNAVAILABLE, TEXT, f"the loop has not gone round for {silent:.0f} s\n".encode()
        return HTTPStatus.OK, TEXT, b"live\n"

    def _ready(self, _: str) -> Reply:
        status = self._status()
        if status.last_pass is None:
            return HTTPStatus.SERVICE_UNAVAILABLE, TEXT, b"the first pass is not complete\n"
        return HTTPStatus.OK, TEXT, b"ready\n"


def _file(name: str, content_type: str) -> Reply:
    """Give a file that belongs to the page."""
    return HTTPStatus.OK, content_type, resources.files("laneproof.outputs.page").joinpath(name).read_bytes()
