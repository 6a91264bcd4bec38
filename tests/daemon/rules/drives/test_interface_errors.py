"""Transfers over a cable that failed."""

from typing import Any

import pytest

from laneproof.engine import Engine
from laneproof.findings import Finding, Kind, Severity
from laneproof.past.box_record import DAY
from laneproof.rules.drives.interface_errors import INTERFACE_ERRORS
from laneproof.rules.rule import Pass, Rule
from laneproof_collectors.snapshot import Snapshot
from laneproof_collectors.unread import Reason, Unread
from simulated_box import A_MORNING, SATA, Box, declare

BUILD = declare('[[position]]\nlabel = "bay-1"\npath = "0000:00/17.0/ata-1"\n')

DENIED = Unread("smartctl of sda", "permission denied", Reason.DENIED)


def box(*, at: float = A_MORNING, **facts: Any) -> Snapshot:  # noqa: ANN401 (any fact of the drive)
    made = Box().with_device("0000:00/17.0", class_code=SATA).with_sata_drive("0000:00/17.0/ata-1", **facts)
    return made.snapshot(taken_at=at)


def judge(rule: Rule, **facts: Any) -> list[Finding]:  # noqa: ANN401 (any fact of the drive)
    return list(rule.judge(Pass.of(BUILD, box(**facts))))


def watch(rule: str, counter: str, counts: list[int], *, every: float = DAY) -> list[Finding]:
    engine = Engine(BUILD)
    findings: list[Finding] = []
    for number, count in enumerate(counts):
        outcome = engine.observe(box(at=A_MORNING + number * every, **{counter: count}))
        findings = [one for one in outcome.findings if one.rule == rule]
    return findings


@pytest.mark.parametrize(
    ("count", "hours", "speaks"),
    [(12, 34000, False), (12, 500, True), (9, 500, False), (12, None, False), (12, DENIED, False)],
)
def test_first_look_speaks_of_young_drives_only(count: int, hours: object, *, speaks: bool) -> None:
    findings = judge(INTERFACE_ERRORS, interface_errors=count, power_on_hours=hours)
    assert [one.severity for one in findings] == ([Severity.NOTICE] if speaks else [])


def test_errors_that_grow_point_at_the_cable() -> None:
    (finding,) = watch("interface-errors", "interface_errors", [12, 12, 15])
    assert finding.severity is Severity.WARNING
    assert "3 transfers over its cable failed in the last 7 days" in finding.summary
    assert "reseat both ends of the cable" in finding.next_steps[0]


def test_errors_that_stopped_are_let_go() -> None:
    assert watch("interface-errors", "interface_errors", [12, 15, *([15] * 9)]) == []


def test_count_that_cannot_be_read_is_unverified() -> None:
    assert [one.kind for one in judge(INTERFACE_ERRORS, interface_errors=DENIED)] == [Kind.UNVERIFIED]
