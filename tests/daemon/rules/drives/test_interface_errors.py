"""Transfers over a cable that failed."""

import pytest

from boxes.disk_box import DENIED, box, judge, watch
from boxes.simulated_past import grown_past
from boxes.snapshot_box import SATA_BAY
from laneproof.findings import Kind, Severity
from laneproof.rules.drives.interface_errors import INTERFACE_ERRORS
from support.rule_examples import check_examples, example


@pytest.mark.parametrize(
    ("count", "hours", "speaks"),
    [(12, 34000, False), (12, 500, True), (9, 500, False), (12, None, False), (12, DENIED, False)],
)
def test_first_pass_speaks_of_young_drives_only(count: int, hours: object, *, speaks: bool) -> None:
    findings = judge(INTERFACE_ERRORS, interface_errors=count, power_on_hours=hours)
    assert [finding.severity for finding in findings] == ([Severity.NOTICE] if speaks else [])


def test_errors_that_grow_point_at_the_cable() -> None:
    (finding,) = watch("interface-errors", "interface_errors", [12, 12, 13])
    assert finding.severity is Severity.WARNING
    assert "1 transfer over its cable failed in the last 7 days" in finding.summary
    assert "reseat both ends of the cable" in finding.next_steps[0]


def test_errors_that_stopped_are_let_go() -> None:
    assert watch("interface-errors", "interface_errors", [12, 15, *([15] * 9)]) == []


def test_count_that_cannot_be_read_is_unverified() -> None:
    assert [finding.kind for finding in judge(INTERFACE_ERRORS, interface_errors=DENIED)] == [Kind.UNVERIFIED]


def test_examples() -> None:
    check_examples(
        INTERFACE_ERRORS,
        SATA_BAY,
        example(box()),
        example(box(interface_errors=12, power_on_hours=34000)),
        example(
            box(interface_errors=15),
            "warning sda | Shut the box down",
            past=grown_past("drive", "GSsda", "interface_errors", by=3),
        ),
    )
