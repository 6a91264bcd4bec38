"""Sectors that a drive lost."""

from typing import Any

import pytest

from laneproof.engine import Engine
from laneproof.findings import Finding, Kind, Severity
from laneproof.past.box_record import DAY
from laneproof.rules.drives.sectors_failing import SECTORS_FAILING
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
    ("facts", "severity"),
    [
        ({"pending_sectors": 8}, Severity.WARNING),
        ({"uncorrectable_sectors": 1}, Severity.WARNING),
        ({"reallocated_sectors": 16}, Severity.NOTICE),
        ({"reallocated_sectors": 16, "pending_sectors": 1}, Severity.WARNING),
    ],
)
def test_lost_sectors_are_told(facts: dict[str, int], severity: Severity) -> None:
    (finding,) = judge(SECTORS_FAILING, **facts)
    assert (finding.kind, finding.severity, finding.position) == (Kind.SIGN, severity, "bay-1")
    assert all(str(count) in finding.summary for count in facts.values())


def test_reallocations_of_this_week_weigh_more() -> None:
    (finding,) = watch("sectors-failing", "reallocated_sectors", [16, 16, 24])
    assert finding.severity is Severity.WARNING
    assert "8 of them reallocated in the last 7 days" in finding.summary
    (finding,) = watch("sectors-failing", "reallocated_sectors", [16, 24, *([24] * 9)])
    assert finding.severity is Severity.NOTICE


def test_one_count_that_cannot_be_read_is_unverified() -> None:
    assert [one.kind for one in judge(SECTORS_FAILING, pending_sectors=DENIED)] == [Kind.UNVERIFIED]
    (finding,) = judge(SECTORS_FAILING, pending_sectors=DENIED, reallocated_sectors=4)
    assert finding.kind is Kind.SIGN
