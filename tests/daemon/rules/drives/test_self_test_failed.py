"""Results of self-tests."""

from typing import Any

import pytest

from laneproof.findings import Finding, Kind, Severity
from laneproof.rules.drives.self_test_failed import SELF_TEST_FAILED, has_failed
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


# Results as smartctl writes them (smartmontools ataprint.cpp and scsiprint.cpp, from memory)
@pytest.mark.parametrize(
    ("told", "failed"),
    [
        ("Short offline: Completed without error at 33000 h", False),
        ("Extended offline: Aborted by host at 33000 h", False),
        ("Extended offline: Interrupted (host reset) at 33000 h", False),
        ("Extended offline: Self-test routine in progress at 33000 h", False),
        ("Extended offline: Completed: read failure at 34001 h", True),
        ("Extended offline: Completed: electrical failure at 34001 h", True),
        ("Extended offline: Fatal or unknown error at 34001 h", True),
        ("Background long: Completed, segment failed at 34001 h", True),
        ("Background long: Failed in segment at None h", True),
        ("Fatal attraction test: Completed without error at 1 h", False),  # the kind of test is no result
    ],
)
def test_result_of_a_self_test(told: str, *, failed: bool) -> None:
    assert has_failed(told) == failed
    assert [one.severity for one in judge(SELF_TEST_FAILED, last_self_test=told)] == [Severity.CRITICAL] * failed


def test_unread_self_test_is_unverified() -> None:
    assert [one.kind for one in judge(SELF_TEST_FAILED, last_self_test=DENIED)] == [Kind.UNVERIFIED]
