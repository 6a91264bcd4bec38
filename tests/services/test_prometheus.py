"""Metrics and alert rules with Prometheus' own tools: checked, tested, scraped, fired, handed to Alertmanager."""

import contextlib
import json
import re
import shutil
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from laneproof.engine import PassResult
from laneproof.outputs.metric_table import METRICS
from laneproof.service.http import Pages
from laneproof.service.listener import Server
from laneproof.service.status import CollectorRun, DaemonStatus
from troubled_box import troubled

FOLDER = Path(__file__).resolve().parents[2] / "packaging" / "prometheus"
RULES, RULE_TESTS = FOLDER / "laneproof-alerts.yml", FOLDER / "laneproof-alerts-test.yml"
LANEPROOF = (sys.executable, "-m", "laneproof.cli")
PATIENCE_SECONDS = 60.0


def promtool(*arguments: str, given: bytes = b"", folder: Path = FOLDER) -> subprocess.CompletedProcess[str]:
    done = subprocess.run(["promtool", *arguments], input=given, capture_output=True, cwd=folder, check=False)
    return subprocess.CompletedProcess(done.args, done.returncode, done.stdout.decode(), done.stderr.decode())


@pytest.mark.services("promtool")
def test_the_rules_are_valid() -> None:
    done = promtool("check", "rules", RULES.name)
    assert done.returncode == 0, done.stdout + done.stderr


@pytest.mark.services("promtool")
def test_the_rules_pass_their_own_tests() -> None:
    done = promtool("test", "rules", RULE_TESTS.name)
    assert done.returncode == 0, done.stdout + done.stderr


@pytest.mark.services("promtool")
@pytest.mark.parametrize(
    ("right", "wrong"),
    [
        ('severity="critical"}', 'severity="warning"}'),
        ("for: 5m", "for: 50m"),
        ('kind!="unverified"', 'kind="unverified"'),
        ('up{job="laneproof"} == 0', 'up{job="laneproof"} == 1'),
        ("> 300", "> 3000"),
        ("laneproof_declaration_in_force == 0", "laneproof_declaration_in_force == 1"),
        ("expr: laneproof_reading_overdue_seconds > 0", "expr: laneproof_reading_overdue_seconds > 9e9"),
        (" unless on (job, instance, reading) laneproof_reading_overdue_seconds > 0", ""),
        (" unless on (job, instance) laneproof_snapshot_timestamp_seconds", ""),
        ('absent(up{job="laneproof"})', 'absent(absent(up{job="laneproof"}))'),
    ],
)  # fmt: skip
def test_a_rule_that_is_spoilt_fails_them(tmp_path: Path, right: str, wrong: str) -> None:
    text = RULES.read_text()
    assert right in text
    (tmp_path / RULES.name).write_text(text.replace(right, wrong))
    shutil.copy(RULE_TESTS, tmp_path)
    assert promtool("test", "rules", RULE_TESTS.name, folder=tmp_path).returncode != 0


def test_every_rule_is_tested_and_uses_only_metrics_that_there_are() -> None:
    rules, tests = RULES.read_text(), RULE_TESTS.read_text()
    alerts = set(re.findall(r"- alert: (\w+)", rules))
    assert alerts == set(re.findall(r"alertname: (\w+)", tests))
    used = set(re.findall(r"\blaneproof_[a-z_]+", rules))
    assert used <= {one.full_name for one in METRICS}
    assert len(re.findall(r"severity: (?:notice|warning|critical)$", rules, re.MULTILINE)) == len(alerts) - 3


def publish() -> DaemonStatus:
    judged = troubled()
    outcome = PassResult(snapshot=judged.snapshot, findings=judged.findings, changes=(), waiting=False)
    runs = {"functions": CollectorRun(finished_at=1_790_000_000.0, seconds=0.02, failed=False)}
    return DaemonStatus(build=judged.build, last_pass=outcome, runs=runs, overdue={"thermal": 61.0})


@pytest.mark.services("promtool")
def test_promtool_accepts_the_metrics() -> None:
    server = Server("127.0.0.1", 0, Pages(publish))
    server.start()
    try:
        with urllib.request.urlopen(f"http://127.0.0.1:{server.port}/metrics", timeout=10) as answer:
            text = answer.read()
    finally:
        server.close()
    assert b"laneproof_finding{" in text
    done = promtool("check", "metrics", given=text)
    assert (done.returncode, done.stdout, done.stderr) == (0, "", "")
    assert promtool("check", "metrics", given=text + b"laneproof_finding{ 1\n").returncode != 0


@pytest.mark.services("amtool")
def test_the_example_for_alertmanager_is_valid() -> None:
    done = subprocess.run(
        ["amtool", "check-config", str(FOLDER / "alertmanager-example.yml")], capture_output=True, check=False
    )
    assert done.returncode == 0, done.stderr


def route(labels: str) -> str:
    command = ["amtool", "config", "routes", "test", f"--config.file={FOLDER / 'alertmanager-example.yml'}", labels]
    return subprocess.run(command, capture_output=True, encoding="utf-8", check=True).stdout.strip()


@pytest.mark.services("amtool")
@pytest.mark.parametrize(
    ("severity", "receiver"), [("critical", "alarms"), ("warning", "alarms"), ("notice", "notices")]
)
def test_alarms_and_notices_go_their_own_ways(severity: str, receiver: str) -> None:
    assert route(f"severity={severity}") == receiver


# --- the real services ------------------------------------------------------------------------------------------------


def free_port() -> int:
    with socket.socket() as listener:
        listener.bind(("127.0.0.1", 0))
        port: int = listener.getsockname()[1]
        return port


def wait_for(what: Callable[[], Any], process: subprocess.Popen[bytes], log: Path) -> Any:  # noqa: ANN401 (an API's JSON)
    end = time.monotonic() + PATIENCE_SECONDS
    while time.monotonic() < end:
        assert process.poll() is None, log.read_text()[-2000:]
        with contextlib.suppress(urllib.error.URLError, ConnectionError):
            if found := what():
                return found
        time.sleep(0.2)
    raise AssertionError(log.read_text()[-2000:])


TOKEN = "0123456789abcdef"  # noqa: S105 (an example)


def get(address: str) -> bytes:
    asked = urllib.request.Request(address, headers={"Authorization": f"Bearer {TOKEN}"})  # noqa: S310 (our own address)
    with urllib.request.urlopen(asked, timeout=10) as answer:  # noqa: S310 (likewise)
        return bytes(answer.read())


def get_json(address: str) -> Any:  # noqa: ANN401 (an API's JSON)
    return json.loads(get(address))


@contextmanager
def running(log: Path, *command: str) -> Iterator[subprocess.Popen[bytes]]:
    with log.open("wb") as out, subprocess.Popen(command, stdout=out, stderr=out, cwd=log.parent) as process:
        try:
            yield process
        finally:
            process.terminate()
            try:
                process.wait(20)
            except subprocess.TimeoutExpired:
                process.kill()


@pytest.mark.services("prometheus", "prometheus-alertmanager")
def test_prometheus_scrapes_the_demo_and_alertmanager_gets_the_alerts(tmp_path: Path) -> None:
    """The whole way: a served demo, a real scrape, a rule fires, an alert arrives."""
    demo, server, manager = free_port(), free_port(), free_port()
    # The same rules, but that a person has no hour to wait for a test.
    (tmp_path / "rules.yml").write_text(re.sub(r"for: \w+", "for: 0s", RULES.read_text()))
    (tmp_path / "prometheus.yml").write_text(
        f"""
global: {{scrape_interval: 1s, evaluation_interval: 1s}}
rule_files: [rules.yml]
alerting: {{alertmanagers: [{{static_configs: [{{targets: ["127.0.0.1:{manager}"]}}]}}]}}
scrape_configs:
  - job_name: laneproof
    authorization: {{credentials_file: token}}
    static_configs: [{{targets: ["127.0.0.1:{demo}"]}}]
"""
    )
    token = tmp_path / "token"
    token.write_text(f"{TOKEN}\n")
    listen = f"127.0.0.1:{demo}"
    with (
        running(
            tmp_path / "demo.log", *LANEPROOF, "serve", "--demo", "--listen", f"0.0.0.0:{demo}",
            "--token-file", str(token),
        ) as one,
        running(
            tmp_path / "manager.log", "prometheus-alertmanager", f"--config.file={FOLDER / 'alertmanager-example.yml'}",
            f"--storage.path={tmp_path / 'manager'}", f"--web.listen-address=127.0.0.1:{manager}",
            "--cluster.listen-address=",
        ) as two,
        running(
            tmp_path / "server.log", "prometheus", f"--config.file={tmp_path / 'prometheus.yml'}",
            f"--storage.tsdb.path={tmp_path / 'data'}", f"--web.listen-address=127.0.0.1:{server}",
        ) as three,
    ):  # fmt: skip
        wait_for(
            lambda: b"ready" in get(f"http://{listen}/ready"),
            one,
            tmp_path / "demo.log",
        )
        api = f"http://127.0.0.1:{server}/api/v1"
        query = "query?query=laneproof_findings"
        found = wait_for(lambda: get_json(f"{api}/{query}")["data"]["result"], three, tmp_path / "server.log")
        told = {(row["metric"]["kind"], row["metric"]["severity"]): float(row["value"][1]) for row in found}
        audit = get_json(f"http://{listen}/api/v1/audit")
        assert sum(told.values()) == sum(audit["counts"].values()) - audit["counts"]["accepted"] > 0
        target = get_json(f"{api}/targets")["data"]["activeTargets"][0]
        assert (target["health"], target["lastError"]) == ("up", "")

        def firing(name: str) -> set[tuple[str, str]]:
            alerts = get_json(f"{api}/alerts")["data"]["alerts"]
            return {
                (one["labels"]["rule"], one["labels"]["position"])
                for one in alerts
                if one["labels"]["alertname"] == name and one["state"] == "firing"
            }

        wanted = {
            (one["rule"], one["position"] or one["subject"])
            for one in audit["findings"]
            if one["severity"] == "warning" and "accepted" not in one
        }
        assert wanted
        wait_for(lambda: firing("LaneproofWarning") == wanted, three, tmp_path / "server.log")
        arrived = wait_for(lambda: get_json(f"http://127.0.0.1:{manager}/api/v2/alerts"), two, tmp_path / "manager.log")
        assert {one["labels"].get("box") for one in arrived if one["labels"].get("rule")} == {"kelp-1"}
        summaries = {one["annotations"]["summary"] for one in arrived}
        assert any(re.fullmatch(r"kelp-1, [\w-]+: [\w-]+", one) for one in summaries)
