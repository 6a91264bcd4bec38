"""Sectors that a drive lost."""

import pytest

from boxes.disk_box import DENIED, box, judge, watch
from boxes.simulated_past import grown_past
from boxes.snapshot_box import SATA_BAY
from laneproof.findings import Kind, Severity
from laneproof.rules.drives.sectors_failing import SECTORS_FAILING
from support.rule_examples import check_examples, example


@pytest.mark.parametrize(
    ("facts", "severity"),
    [
        ({"pending_sectors": 8}, Severity.WARNING),
        ({"uncorrectable_sectors": 1}, Severity.WARNING),
        ({"reallocated_sectors": 16}, Severity.NOTICE),
        ({"reallocated_sectors": 16, "pending_sectors": 1}, Severity.WARNING),
    ],
)
def test_lost_sectors_are_reported(facts: dict[str, int], severity: Severity) -> None:
    (finding,) = judge(SECTORS_FAILING, **facts)
    assert (finding.kind, finding.severity, finding.position) == (Kind.SIGN, severity, "bay-1")
    assert all(f"{count} sector{'s' if count > 1 else ''} " in finding.summary for count in facts.values())


def test_reallocations_of_this_week_weigh_more() -> None:
    (finding,) = watch("sectors-failing", "reallocated_sectors", [16, 16, 24])
    assert finding.severity is Severity.WARNING
    assert "8 of them reallocated in the last 7 days" in finding.summary
    (finding,) = watch("sectors-failing", "reallocated_sectors", [16, 24, *([24] * 9)])
    assert finding.severity is Severity.NOTICE


def test_one_count_that_cannot_be_read_is_unverified() -> None:
    assert [finding.kind for finding in judge(SECTORS_FAILING, pending_sectors=DENIED)] == [Kind.UNVERIFIED]
    (finding,) = judge(SECTORS_FAILING, pending_sectors=DENIED, reallocated_sectors=4)
    assert finding.kind is Kind.SIGN


def test_examples() -> None:
    check_examples(
        SECTORS_FAILING,
        SATA_BAY,
        example(box()),
        example(box(pending_sectors=8), "warning sda | Make sure that a"),
        example(
            box(reallocated_sectors=16),
            "warning sda | Make sure that a",
            past=grown_past("drive", "GSsda", "reallocated_sectors", by=16),
        ),
    )
