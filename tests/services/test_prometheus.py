"""Metrics and alert rules with Prometheus' own tools: checked, tested, scraped, fired, handed to Alertmanager."""

import re
import shutil
import subprocess
import sys
from contextlib import closing
from pathlib import Path

import pytest

from laneproof.outputs.metric_table import METRICS
from support.asked_service import Client, publish
from support.real_services import PROMETHEUS, TOKEN, get, get_json, promtool, running, wait_for
from support.receivers import WebServer, free_port

RULES, FLEET_RULES = PROMETHEUS / "laneproof-alerts.yml", PROMETHEUS / "laneproof-fleet-alerts.yml"
LANEPROOF = (sys.executable, "-m", "laneproof.cli")


def find_tests(rules: Path) -> Path:
    return rules.with_stem(f"{rules.stem}-test")


@pytest.mark.services("promtool")
@pytest.mark.parametrize("rules", [RULES, FLEET_RULES], ids=lambda rules: rules.stem)
def test_the_rules_are_valid_and_pass_their_own_tests(rules: Path) -> None:
    for command in (("check", "rules", rules.name), ("test", "rules", find_tests(rules).name)):
        done = promtool(*command)
        assert done.returncode == 0, done.stdout + done.stderr


@pytest.mark.services("promtool")
@pytest.mark.parametrize(
    ("rules", "right", "wrong"),
    [
        (RULES, 'severity="critical"}', 'severity="warning"}'),
        (RULES, "for: 5m", "for: 50m"),
        (RULES, 'kind!="unverified"', 'kind="unverified"'),
        (RULES, 'up{job="laneproof"} == 0', 'up{job="laneproof"} == 1'),
        (RULES, "> 300", "> 3000"),
        (RULES, "expr: laneproof_reading_overdue_seconds > 0", "expr: laneproof_reading_overdue_seconds > 9e9"),
        (RULES, " unless on (job, instance, reading) laneproof_reading_overdue_seconds > 0", ""),
        (RULES, " unless on (job, instance) laneproof_snapshot_timestamp_seconds", ""),
        (RULES, "laneproof_rule_info%s}", "laneproof_rule_infos%s}"),
        (RULES, 'label "next"', 'label "last"'),
        (RULES, 'absent(up{job="laneproof"})', 'absent(absent(up{job="laneproof"}))'),
        (FLEET_RULES, ">= 3\n          and", ">= 2\n          and"),
        (FLEET_RULES, "(laneproof:models) >= 0.1", "(laneproof:models) >= 0.8"),
        (FLEET_RULES, 'severity!="notice"', 'severity!="critical"'),
        (FLEET_RULES, "(laneproof_nvme_info or laneproof_drive_info)", "(laneproof_drive_info)"),
        (FLEET_RULES, 'unless on (job, rule, model) ALERTS{alertname="LaneproofFirmwareShowsSigns"}', ""),
        (FLEET_RULES, "unless on (job, instance) up", ""),
        (FLEET_RULES, "unless on (job, box) laneproof_box_info", ""),
        (FLEET_RULES, "[1d]", "[1h]"),
        (FLEET_RULES, "and on (box) laneproof_box_info", ""),
        (FLEET_RULES, "on (box, checksum)", "on (box)"),
    ],
)  # fmt: skip
def test_a_rule_that_is_spoilt_fails_them(tmp_path: Path, rules: Path, right: str, wrong: str) -> None:
    text = rules.read_text()
    assert right in text
    (tmp_path / rules.name).write_text(text.replace(right, wrong))
    shutil.copy(find_tests(rules), tmp_path)
    assert promtool("test", "rules", find_tests(rules).name, folder=tmp_path).returncode != 0


@pytest.mark.parametrize(("file", "passed_on"), [(RULES, 3), (FLEET_RULES, 0)])
def test_every_rule_is_tested_and_uses_only_metrics_that_there_are(file: Path, passed_on: int) -> None:
    rules, tests = file.read_text(), find_tests(file).read_text()
    alerts = set(re.findall(r"- alert: (\w+)", rules))
    assert alerts == set(re.findall(r"alertname: (\w+)", tests))
    used = set(re.findall(r"\blaneproof_[a-z_]+", rules))
    assert used <= {metric.full_name for metric in METRICS}
    assert len(re.findall(r"severity: (?:notice|warning|critical)$", rules, re.MULTILINE)) == len(alerts) - passed_on


@pytest.mark.services("promtool")
def test_promtool_accepts_the_metrics() -> None:
    client = Client(publish())
    with closing(client.server):
        text = client.ask("/metrics")[2]
    assert b"laneproof_finding{" in text
    done = promtool("check", "metrics", given=text)
    assert (done.returncode, done.stdout, done.stderr) == (0, "", "")
    assert promtool("check", "metrics", given=text + b"laneproof_finding{ 1\n").returncode != 0


@pytest.mark.services("amtool")
def test_the_example_for_alertmanager_is_valid() -> None:
    done = subprocess.run(
        ["amtool", "check-config", str(PROMETHEUS / "alertmanager-example.yml")], capture_output=True, check=False
    )
    assert done.returncode == 0, done.stderr


def route(labels: str) -> str:
    command = ["amtool", "config", "routes", "test", f"--config.file={PROMETHEUS / 'alertmanager-example.yml'}", labels]
    return subprocess.run(command, capture_output=True, encoding="utf-8", check=True).stdout.strip()


@pytest.mark.services("amtool")
@pytest.mark.parametrize(
    ("severity", "receiver"), [("critical", "alarms"), ("warning", "alarms"), ("notice", "notices")]
)
def test_alarms_and_notices_go_their_own_ways(severity: str, receiver: str) -> None:
    assert route(f"severity={severity}") == receiver


# --- the real services ------------------------------------------------------------------------------------------------


def write_manager(file: Path, port: int) -> Path:
    """Write the example as it is, but that it waits for no minute, and with the receivers' port."""
    example = (PROMETHEUS / "alertmanager-example.yml").read_text()
    file.write_text(example.replace("group_wait: 1m", "group_wait: 3s").replace("127.0.0.1:9099", f"127.0.0.1:{port}"))
    return file


@pytest.mark.services("prometheus", "prometheus-alertmanager")
def test_prometheus_scrapes_the_demo_and_alertmanager_gets_the_alerts(tmp_path: Path) -> None:
    """The whole way: a served demo, a real scrape, a rule fires, an alert arrives."""
    demo, server, manager = free_port(), free_port(), free_port()
    hook = WebServer()
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
    token.chmod(0o600)
    listen = f"127.0.0.1:{demo}"
    settings = tmp_path / "manager.yml"
    with (
        hook.running() as port,
        running(
            tmp_path / "demo.log", *LANEPROOF, "serve", "--demo", "--listen", f"0.0.0.0:{demo}",
            "--token-file", str(token),
        ) as one,
        running(
            tmp_path / "manager.log", "prometheus-alertmanager", f"--config.file={write_manager(settings, port)}",
            f"--storage.path={tmp_path / 'manager'}", f"--web.listen-address=127.0.0.1:{manager}",
            "--cluster.listen-address=",
        ) as two,
        running(
            tmp_path / "server.log", "prometheus", f"--config.file={tmp_path / 'prometheus.yml'}",
            f"--storage.tsdb.path={tmp_path / 'data'}", f"--web.listen-address=127.0.0.1:{server}",
        ) as three,
    ):  # fmt: skip
        wait_for(lambda: b"ready" in get(f"http://{listen}/ready"), one, tmp_path / "demo.log")
        api = f"http://127.0.0.1:{server}/api/v1"
        query = "query?query=laneproof_findings"
        found = wait_for(lambda: get_json(f"{api}/{query}")["data"]["result"], three, tmp_path / "server.log")
        shown = {(row["metric"]["kind"], row["metric"]["severity"]): float(row["value"][1]) for row in found}
        audit = get_json(f"http://{listen}/api/v1/audit")
        assert sum(shown.values()) == sum(audit["counts"].values()) - audit["counts"]["accepted"] > 0
        target = get_json(f"{api}/targets")["data"]["activeTargets"][0]
        assert (target["health"], target["lastError"]) == ("up", "")

        def firing(name: str) -> set[str]:
            alerts = get_json(f"{api}/alerts")["data"]["alerts"]
            return {
                alert["labels"]["position"]
                for alert in alerts
                if alert["labels"]["alertname"] == name and alert["state"] == "firing"
            }

        wanted = {
            severity: {
                finding["position"] or finding["subject"]
                for finding in audit["findings"]
                if finding["severity"] == severity and "accepted" not in finding
            }
            for severity in ("warning", "critical")
        }
        assert wanted["critical"] & wanted["warning"] == {"riser-3"}
        wait_for(lambda: firing("LaneproofWarning") == wanted["warning"], three, tmp_path / "server.log")
        wait_for(lambda: firing("LaneproofCritical") == wanted["critical"], three, tmp_path / "server.log")
        wait_for(lambda: len(hook.posted) >= len(wanted["critical"] | wanted["warning"]), two, tmp_path / "manager.log")
        arrived = [alert for posted in hook.posted for alert in posted["alerts"] if "position" in alert["labels"]]
        (of_riser,) = [alert for alert in arrived if alert["labels"]["position"] == "riser-3"]
        assert of_riser["labels"]["alertname"] == "LaneproofCritical"  # its warnings are explained by what is critical
        text = of_riser["annotations"]["description"]
        here = [each for each in audit["findings"] if each["position"] == "riser-3"]
        (finding,) = [each for each in here if each["severity"] == "critical"]
        assert text.startswith(f"{finding['rule']} ({finding['kind']}): ")
        assert f"Next: {finding['next_steps'][0]}" in text
        assert text.endswith(f"Page: http://{listen}/")
        (narrow,) = [alert for alert in arrived if alert["labels"]["position"] == "riser-4"]
        assert "Declared: 16 GT/s (generation 4). Observed: 8 GT/s" in narrow["annotations"]["description"]
