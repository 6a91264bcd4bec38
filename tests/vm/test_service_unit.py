"""laneproof as a unit of a real systemd on a real kernel: drafted, audited, started, and reporting changes."""

import json
import re
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from prometheus_client.parser import text_string_to_metric_families

from vm.boot import Boot
from vm.boxes import DISTURBED, EMPTIED, REFILLED, WARNED

pytestmark = [pytest.mark.vm, pytest.mark.services("systemctl")]

Facts = dict[str, Any]


def _audit(answer: Facts) -> Facts:
    return dict(json.loads(answer["out" if "out" in answer else "text"]))


def test_a_drafted_machine_holds_as_far_as_it_can_be_read(service: Boot) -> None:
    facts = service.facts("draft")
    assert facts["draft"]["status"] == 0
    assert facts["audit"]["status"] in (0, 2)
    assert {finding["kind"] for finding in _audit(facts["audit"])["findings"]} <= {"unverified"}
    assert facts["audit"]["err"] == ""


def test_the_audit_in_text_begins_with_the_verdict_and_fits_eighty_columns(service: Boot) -> None:
    facts = service.facts("draft")
    lines = facts["text"]["out"].splitlines()
    assert _audit(facts["audit"])["verdict"] in lines[0].lower()
    assert max(map(len, lines)) <= 80


def test_a_recording_gives_the_same_audit_as_the_machine(service: Boot) -> None:
    facts = service.facts("draft")
    live, recorded = _audit(facts["audit"]), _audit(facts["again"])
    assert facts["again"]["status"] == facts["audit"]["status"]
    for name in ("verdict", "counts", "findings", "inventory"):
        assert recorded[name] == live[name]


@pytest.mark.parametrize(("rule", "declared", "observed"), [("link-narrow", "x4", "x1"), ("link-slow", "16", "2.5")])
def test_every_link_below_its_declaration_is_reported_with_both_values(
    service: Boot, labels: dict[str, str], rule: str, declared: str, observed: str
) -> None:
    answer = service.facts("ask-for-more")["audit"]
    assert answer["status"] == 1
    reported = {finding["position"]: finding for finding in _audit(answer)["findings"] if finding["rule"] == rule}
    assert sorted(reported) == sorted(labels.values())
    for finding in reported.values():
        assert finding["kind"] == "differs"
        assert declared in str(finding["declared"])
        assert observed in str(finding["observed"])
        assert declared in finding["summary"]
        assert observed in finding["summary"]


def test_the_unit_starts_and_tells_its_state(service: Boot) -> None:
    facts = service.facts("serve")
    assert facts["start"]["status"] == 0, service.facts("journal")["text"]
    unit = facts["unit"]
    assert (unit["ActiveState"], unit["SubState"], unit["Result"], unit["NRestarts"]) == (
        "active",
        "running",
        "success",
        "0",
    )
    assert unit["StatusText"]


def test_the_unit_is_hardened(service: Boot) -> None:
    output = service.facts("serve")["security"]["out"]
    exposure = re.search(r"Overall exposure level for laneproof.service: ([\d.]+)", output)
    assert exposure
    assert float(exposure[1]) <= 3.0


@pytest.mark.parametrize(
    ("path", "status"), [("/health", 200), ("/ready", 200), ("/metrics", 200), ("/api/v1/audit", 200), ("/none", 404)]
)
def test_the_service_answers(service: Boot, path: str, status: int) -> None:
    assert service.facts("serve")["answers"][path]["status"] == status


def test_the_service_audits_as_the_command_does(service: Boot) -> None:
    served = _audit(service.facts("serve")["answers"]["/api/v1/audit"])
    commanded = _audit(service.facts("draft")["audit"])
    assert served["verdict"] == commanded["verdict"]
    assert [finding["rule"] for finding in served["findings"]] == [finding["rule"] for finding in commanded["findings"]]


def test_metrics_can_be_parsed_and_are_ours_or_the_convention_of_processes(service: Boot) -> None:
    families = list(text_string_to_metric_families(service.facts("serve")["answers"]["/metrics"]["text"]))
    assert len(families) > 5
    assert {family.name for family in families if not family.name.startswith(("laneproof_", "process_"))} == set()


def test_a_wrong_declaration_leaves_the_old_one_in_force(service: Boot) -> None:
    facts = service.facts("reload")
    assert facts["said"] is True
    assert "no_such_key" in service.facts("journal")["text"]
    assert facts["unit"]["ActiveState"] == "active"
    assert facts["audit"]["status"] == 200
    before = _audit(service.facts("serve")["answers"]["/api/v1/audit"])
    assert _audit(facts["audit"])["verdict"] == before["verdict"]


def test_a_burst_is_counted_at_its_port_alone_and_is_no_sign_yet(service: Boot, labels: dict[str, str]) -> None:
    facts = service.facts("burst")
    samples = [
        sample
        for family in text_string_to_metric_families("\n".join(facts["counts"]) + "\n")
        for sample in family.samples
        if sample.value
    ]
    assert {(sample.labels["position"], sample.labels["end"], sample.labels["error"]) for sample in samples} == {
        (labels[DISTURBED], "port", "RxErr")
    }
    assert facts["reported_after"] < 30  # the counters are read four times a minute
    assert [finding for finding in facts["findings"] if finding["rule"] == "signal-errors"] == []


def test_errors_that_come_back_hour_after_hour_are_a_sign_of_their_port_alone(
    service: Boot, labels: dict[str, str], tmp_path: Path
) -> None:
    """Replay what a real kernel counted from second to second as if an hour lay between each two passes."""
    assert service.facts("pulses")["record"]["status"] == 0
    header, *lines = service.facts("pulses")["recording"].splitlines()
    frames = [json.loads(line) for line in lines]
    for number, frame in enumerate(frames):
        for clock in ("t", "up"):
            frame[clock] = frames[0][clock] + number * 3600.0
        frame.pop("kmsg", None)  # its lines carry the times of the real second
    recording, build = tmp_path / "hours.jsonl", tmp_path / "build.toml"
    recording.write_text("\n".join([header, *map(json.dumps, frames)]) + "\n")
    build.write_text(service.facts("draft")["build"])
    command = [sys.executable, "-m", "laneproof.cli", "replay", str(recording), "--build", str(build), "--json"]
    done = subprocess.run(command, capture_output=True, text=True, check=False, timeout=120)
    assert done.returncode == 0, done.stderr
    changes = [json.loads(line) for line in done.stdout.splitlines()]
    raised = [change["finding"]["position"] for change in changes if change["finding"]["rule"] == "signal-errors"]
    assert set(raised) == {labels[DISTURBED]}


def test_a_failing_read_is_reported_as_a_media_error(service: Boot, labels: dict[str, str]) -> None:
    facts = service.facts("unreadable-sector")
    assert "error reading" in facts["dd"]
    positions = [finding["position"] for finding in facts["findings"] if finding["rule"] == "media-errors-rising"]
    assert positions == [labels[WARNED]]


def test_a_critical_warning_is_reported_by_the_running_service(service: Boot, labels: dict[str, str]) -> None:
    facts = service.facts("warned")
    assert facts["reported"] is True
    reported = {finding["position"]: finding for finding in facts["findings"] if finding["rule"] == "critical-warning"}
    assert list(reported) == [labels[WARNED]]
    assert reported[labels[WARNED]]["kind"] == "sign"
    # Linux asks drives for no event of this kind, so it is seen at the next reading of the health logs, once a minute.
    assert facts["reported_after"] < 70


def test_a_removed_drive_is_an_empty_position_within_two_seconds(service: Boot, labels: dict[str, str]) -> None:
    took = []
    for step, path in (("removed", EMPTIED), ("removed-second", REFILLED)):
        facts = service.facts(step)
        assert facts["changed"] is True
        assert ("position-empty", labels[path]) in {
            (finding["rule"], finding["position"]) for finding in facts["findings"]
        }
        took.append(facts["reported_after"])
    # The better of two; where more waits for this machine's processors than they can serve, the emulated one has
    # but its share of them, and the limit grows with that.
    assert min(took) < 2.0 * service.steps["host"]["waiting"]


def test_a_drive_in_another_position_is_reported_as_moved_by_both(service: Boot, labels: dict[str, str]) -> None:
    findings = service.facts("moved")["findings"]
    for here, there in ((EMPTIED, REFILLED), (REFILLED, EMPTIED)):
        summaries = [finding["summary"] for finding in findings if finding["position"] == labels[here]]
        assert any(labels[there] in summary for summary in summaries), summaries


def test_the_unit_stops_cleanly_and_keeps_its_state(service: Boot) -> None:
    facts = service.facts("stop")
    assert facts["stop"]["status"] == 0
    assert (facts["unit"]["Result"], facts["unit"]["ExecMainStatus"]) == ("success", "0")
    assert facts["before"]["NRestarts"] == "0"
    assert facts["kept"]


def test_what_held_before_a_removal_lies_in_a_folder_of_its_own_within_a_second(
    service: Boot, labels: dict[str, str], record_property: Callable[[str, object], None]
) -> None:
    facts = service.facts("stop")
    lines = [json.loads(line) for line in facts["evidence"].splitlines()]
    kinds = [line["what"] for line in lines]
    assert kinds.index("held") < kinds.index("events") < kinds.index("episode")
    assert {line["position"] for line in lines if line["what"] == "episode"} >= {labels[EMPTIED], labels[REFILLED]}
    (delay,) = (
        sample.value
        for family in text_string_to_metric_families(facts["metrics"])
        for sample in family.samples
        if sample.name == "laneproof_evidence_delay_seconds"
    )
    record_property("evidence, seconds from being read until it lay on the medium", delay)
    assert delay < 1.0 * service.steps["host"]["waiting"]


def test_what_the_ring_lost_is_counted_and_asked_of_the_journal(service: Boot) -> None:
    """Under the unit's own restrictions: the journal's program must be allowed to run, and to read."""
    facts = service.facts("overrun")
    before, after = facts["ring"]
    assert after > before  # the kernel let go of its oldest records
    assert facts["reported"]
    events = json.loads(service.facts("events")["reported"]["out"])["events"]
    (lost,) = (event["text"] for event in events if event["kind"] == "log_records_lost")
    assert "records of the kernel's log were overwritten before they were read" in lost
    assert "events among them that the journal had: " in lost


def test_nothing_was_ever_a_traceback(service: Boot) -> None:
    assert "Traceback" not in service.facts("journal")["text"]
