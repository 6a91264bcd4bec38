"""The audit's JSON keeps to its own exported schema, judged by jsonschema, whatever the machine said."""

import json
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from jsonschema import Draft202012Validator, FormatChecker

from boxes.snapshot_box import Box, declare, kelp_box, make_firmware, without_groups
from boxes.troubled_box import Judged, judge, make_snapshot, troubled
from laneproof.findings import Finding, Kind, Severity
from laneproof.outputs.audit_json import as_json, audit_schema, count_findings, name_box
from laneproof_collectors.snapshot import GROUPS
from laneproof_collectors.unread import Reason, Unread

GAP = Unread("anything", "made up", Reason.FAILED)


def audit(judged: Judged) -> dict[str, Any]:
    """Give the audit as a program would read it."""
    parsed: dict[str, Any] = json.loads(json.dumps(as_json(judged.build, judged.snapshot, judged.findings)))
    return parsed


def problems(report: object) -> list[str]:
    schema = audit_schema()
    Draft202012Validator.check_schema(schema)
    validator = Draft202012Validator(schema, format_checker=FormatChecker())
    return [f"{error.json_path}: {error.message}" for error in validator.iter_errors(report)]


def test_the_report_keeps_to_the_schema() -> None:
    assert problems(audit(troubled())) == []


def test_the_schema_refuses_what_the_report_never_says() -> None:
    report = audit(troubled())
    for spoilt in (
        report | {"verdict": "fine"},
        report | {"taken_at": "yesterday"},
        report | {"more": 1},
        {key: value for key, value in report.items() if key != "counts"},
        report | {"findings": [report["findings"][0] | {"severity": "page"}]},
    ):
        assert problems(spoilt) != []


def test_the_contract_keys_are_there() -> None:
    report = audit(troubled())
    assert {"schema", "box", "taken_at", "verdict", "counts", "findings", "inventory"} <= report.keys()
    assert (report["schema"], report["box"], report["verdict"]) == (1, "kelp-1", "differs")
    assert report["taken_at"] == "2026-09-21T14:13:20Z"
    finding = report["findings"][0]
    assert set(finding) == {
        "rule", "kind", "severity", "position", "subject", "summary", "declared", "observed", "evidence", "causes",
        "next_steps", "since",
    }  # fmt: skip


def test_a_finding_says_its_causes_with_reasons_and_since_when() -> None:
    (sign,) = [finding for finding in audit(troubled())["findings"] if finding["rule"] == "signal-errors"]
    assert sign["since"] == "2026-09-21T14:13:20Z"
    assert sign["causes"][0] == {
        "cause": "signal-path",
        "probability": 0.82,
        "because": ["both ends count", "a flexible cable is between"],
    }
    assert sign["evidence"] == {"count": 5, "seconds": 10}


def test_an_accepted_difference_keeps_its_reason_and_does_not_count() -> None:
    report = audit(troubled())
    (slow,) = [finding for finding in report["findings"] if finding["rule"] == "link-slow"]
    assert slow["accepted"].startswith("spare cable on order")
    assert report["counts"] == {"differs": 4, "sign": 1, "unverified": 1, "accepted": 1}


@pytest.mark.parametrize(
    ("kinds", "verdict"),
    [((), "holds"), ((Kind.UNVERIFIED,), "unverified"), ((Kind.UNVERIFIED, Kind.SIGN), "differs"),
     ((Kind.DIFFERS,), "differs")],
)  # fmt: skip
def test_the_verdict_sums_up_the_kinds(kinds: tuple[Kind, ...], verdict: str) -> None:
    findings = tuple(
        Finding(rule="x", kind=kind, severity=Severity.NOTICE, subject=str(kind), summary="s") for kind in kinds
    )
    assert audit(Judged(build=declare(""), snapshot=Box().snapshot(), findings=findings))["verdict"] == verdict
    accepted = tuple(replace(finding, accepted="why") for finding in findings)
    assert audit(Judged(build=declare(""), snapshot=Box().snapshot(), findings=accepted))["verdict"] == "holds"


def test_the_inventory_gives_each_link_declared_and_trained() -> None:
    positions = {position["path"]: position for position in audit(troubled())["inventory"]["places"]}
    narrow = positions["0000:00/01.2"]
    assert narrow["position"] == "riser-2"
    assert narrow["declared"] == {"generation": 4, "lanes": 4, "transfers_per_second": None}
    assert narrow["trained"] == {"generation": 4, "lanes": 2, "transfers_per_second": 16e9}
    assert narrow["occupant"]["serial"] == "FN-2"
    assert positions["0000:00/01.3"]["trained"] is None
    assert positions["0000:00/01.3"]["occupant"] is None


def test_what_could_not_be_read_is_null_and_never_a_number() -> None:
    drive = {"model": GAP, "serial": GAP, "firmware": GAP, "identity": GAP, "namespaces": ()}
    snapshot = Box().with_port("0000:00/01.1").with_drive("0000:00/01.1", controller=drive).snapshot()
    (position,) = audit(judge(None, snapshot))["inventory"]["places"]
    occupant = position["occupant"]
    assert (occupant["model"], occupant["serial"], occupant["firmware"], occupant["capacity_bytes"]) == (None,) * 4
    assert problems(audit(judge(None, snapshot))) == []


def test_without_a_declaration_the_box_has_the_machines_name() -> None:
    report = audit(judge(None, make_snapshot()))
    assert (report["declared"], report["box"]) == (False, "kelp-1")
    nameless = Box().with_group(firmware=GAP).snapshot()
    assert name_box(None, nameless) == "this box"
    assert name_box(None, Box().with_group(firmware=make_firmware(host_name=GAP)).snapshot()) == "this box"
    assert name_box(declare(""), nameless) == "kelp-1"


def test_counts_of_nothing_are_zeroes() -> None:
    assert count_findings(()) == {"differs": 0, "sign": 0, "unverified": 0, "accepted": 0}


TWO = "".join(f'[[position]]\nlabel = "riser-{n}"\npath = "0000:00/01.{n}"\n' for n in (1, 2))


@settings(max_examples=40)
@given(st.sets(st.sampled_from(sorted(GROUPS))))
def test_a_machine_with_any_part_unread_still_gives_a_valid_report_that_does_not_hold(missing: set[str]) -> None:
    snapshot = without_groups(kelp_box(2).snapshot(), missing, GAP)
    report = audit(judge(TWO, snapshot))
    assert problems(report) == []
    assert (report["verdict"] == "holds") == (not missing)
