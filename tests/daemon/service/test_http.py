"""What is answered over HTTP: a real server on a port that is free, and a real client."""

import json
import os
import re
from contextlib import closing
from dataclasses import replace
from http import HTTPStatus
from pathlib import Path

import pytest
from prometheus_client.openmetrics.parser import text_string_to_metric_families as parse_openmetrics
from prometheus_client.parser import text_string_to_metric_families

from boxes.proven_box import sound_run
from boxes.troubled_box import SIGN
from laneproof.findings import Change, FindingChange
from laneproof.outputs.metric_table import BY_NAME, METRICS, write_docs
from laneproof.service.http import ALIVE_WITHIN_SECONDS
from laneproof.service.status import DaemonStatus
from support.asked_service import NOW, Client, publish


@pytest.mark.parametrize(
    ("path", "kind", "holds"),
    [
        ("/", "text/html; charset=utf-8", b"kelp-1 is not as it should be"),
        ("/style.css", "text/css; charset=utf-8", b"prefers-color-scheme: dark"),
        ("/page.js", "text/javascript; charset=utf-8", b"readAgain"),
        ("/icon.svg", "image/svg+xml", b"<svg"),
    ],
)
def test_the_page_and_what_belongs_to_it_are_served(client: Client, path: str, kind: str, holds: bytes) -> None:
    status, headers, body = client.ask(path)
    assert (status, headers["Content-Type"]) == (200, kind)
    assert holds in body


def test_the_last_acceptance_run_is_on_the_page_and_among_the_metrics() -> None:
    with closing(Client(replace(publish(), proofs=(sound_run(),)))) as made:
        page, metrics = (made.ask(path)[2].decode() for path in ("/", "/metrics"))
    assert "Last proven under load on 2026-11-18" in page
    assert "Not proven since: riser-1: " in page  # the box asked here is another than the demo's
    assert 'laneproof_proof_verdict{position="riser-1",verdict="holds"} 1.0' in metrics


def test_the_page_names_only_what_is_served(client: Client) -> None:
    page = client.ask("/")[2].decode()
    inside = set(re.findall(r'(?:href|src)="([^"#]*)"', page))
    positions = {f"positions/{label}" for label in ("riser-1", "riser-2", "riser-3", "deck-1")}
    assert {"style.css", "page.js", "icon.svg", "api/v1/audit", "metrics", "", *positions} == inside
    assert {client.ask(f"/{link}")[0] for link in inside} == {200}


def test_the_page_before_the_first_pass_asks_to_come_again(client: Client) -> None:
    client.status = DaemonStatus(alive_at=NOW)
    status, _, body = client.ask("/")
    assert status == HTTPStatus.SERVICE_UNAVAILABLE
    assert b"not complete yet" in body
    assert client.ask("/icon.svg")[0] == 200


def test_the_latest_changes_are_on_the_page(client: Client) -> None:
    assert b"cleared" not in client.ask("/")[2]
    change = FindingChange(at=1_790_000_000.0, change=Change.CLEARED, finding=SIGN)
    client.status = replace(client.status, recent=(change,))
    assert b"cleared" in client.ask("/")[2]


def test_before_the_first_pass_it_is_live_and_not_ready(client: Client) -> None:
    client.status = DaemonStatus(alive_at=NOW)
    assert client.ask("/health")[0] == 200
    assert client.ask("/ready")[0] == HTTPStatus.SERVICE_UNAVAILABLE
    status, _, body = client.ask("/api/v1/audit")
    assert status == HTTPStatus.SERVICE_UNAVAILABLE
    assert json.loads(body) == {"error": "the first pass is not complete"}
    assert client.ask("/metrics")[0] == 200


def test_after_it_it_is_ready(client: Client) -> None:
    assert client.ask("/ready")[::2] == (200, b"ready\n")
    assert client.ask("/health")[::2] == (200, b"live\n")


def test_a_loop_that_hangs_is_not_live(client: Client) -> None:
    client.status = replace(client.status, alive_at=NOW - ALIVE_WITHIN_SECONDS)
    status, _, body = client.ask("/health")
    assert (status, body) == (HTTPStatus.SERVICE_UNAVAILABLE, b"the loop has not gone round for 61 s\n")


def metrics(body: bytes) -> dict[str, list[tuple[dict[str, str], float]]]:
    found: dict[str, list[tuple[dict[str, str], float]]] = {}
    for family in text_string_to_metric_families(body.decode()):
        for sample in family.samples:
            found.setdefault(sample.name, []).append((sample.labels, sample.value))
    return found


def test_metrics_are_scraped_in_both_formats(client: Client) -> None:
    status, headers, body = client.ask("/metrics", accept="text/plain;version=0.0.4")
    assert status == 200
    assert headers["Content-Type"].startswith("text/plain; version=")
    assert ({"rule": "signal-errors", "kind": "sign", "severity": "critical", "position": "riser-2"}, 1.0) in metrics(
        body
    )["laneproof_finding"]
    status, headers, body = client.ask("/metrics", accept="application/openmetrics-text;version=1.0.0")
    assert headers["Content-Type"].startswith("application/openmetrics-text; version=1.0.0")
    families = list(parse_openmetrics(body.decode()))
    assert "laneproof_finding" in {family.name for family in families}
    assert body.endswith(b"# EOF\n")


def test_the_daemons_own_state_is_among_the_metrics(client: Client) -> None:
    samples_by_name = metrics(client.ask("/metrics")[2])
    assert samples_by_name["laneproof_declaration_in_force"] == [({}, 1.0)]
    assert sorted((labels["reading"], value) for labels, value in samples_by_name["laneproof_reading_complete"]) == [
        ("functions", 1.0),
        ("thermal", 0.0),
    ]
    overdue = {labels["reading"]: value for labels, value in samples_by_name["laneproof_reading_overdue_seconds"]}
    assert overdue == {"functions": 0.0, "thermal": 0.0, "memory": 61.0}
    # The kernel's own account of this process, proc(5): statm counts pages.
    resident = int(Path("/proc/self/statm").read_text().split()[1]) * os.sysconf("SC_PAGE_SIZE")
    assert samples_by_name["process_resident_memory_bytes"] == [({}, pytest.approx(resident, rel=0.1))]
    changes = {
        (labels["change"], labels["severity"]): value
        for labels, value in samples_by_name["laneproof_finding_changes_total"]
    }
    assert len(changes) == 9
    drops = {labels["position"]: value for labels, value in samples_by_name["laneproof_drops_total"]}
    assert drops == {"riser-2": 3.0, "0000:00/09.0": 1.0}
    assert (changes["raised", "warning"], changes["cleared", "notice"]) == (2.0, 0.0)
    client.status = replace(client.status, build_problem="line 3: wrong")
    assert metrics(client.ask("/metrics")[2])["laneproof_declaration_in_force"] == [({}, 0.0)]


def test_the_page_says_how_old_its_reading_is(client: Client) -> None:
    assert b'data-seconds="62">1 minute ago' in client.ask("/")[2]


def test_nothing_is_scraped_that_the_table_does_not_know(client: Client) -> None:
    samples_by_name = metrics(client.ask("/metrics")[2])
    documented = {metric.full_name for metric in METRICS} | set(re.findall(r"process_[a-z_]+", write_docs()))
    assert set(samples_by_name) <= documented
    for name, samples in samples_by_name.items():
        if name.startswith("process_"):
            continue
        metric = BY_NAME[name.removeprefix("laneproof_").removesuffix("_total").removesuffix("_info")]
        assert {tuple(sorted(labels)) for labels, _ in samples} == {tuple(sorted(metric.labels))}


def test_a_path_that_is_none_is_answered_with_what_there_is(client: Client) -> None:
    status, _, body = client.ask("/nothing/<script>?q=1")
    assert status == HTTPStatus.NOT_FOUND
    assert b"/metrics" in body
    assert client.ask("/health?verbose=1")[0] == 200  # a query is passed over
