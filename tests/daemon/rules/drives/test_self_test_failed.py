"""Results of self-tests."""

import pytest

from boxes.disk_box import DENIED, box, judge
from boxes.snapshot_box import SATA_BAY
from laneproof.findings import Kind, Severity
from laneproof.rules.drives.self_test_failed import SELF_TEST_FAILED, has_failed
from support.rule_examples import check_examples, example


# Results as smartctl writes them (smartmontools ataprint.cpp and scsiprint.cpp, from memory)
@pytest.mark.parametrize(
    ("result", "failed"),
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
def test_result_of_a_self_test(result: str, *, failed: bool) -> None:
    assert has_failed(result) == failed
    assert [finding.severity for finding in judge(SELF_TEST_FAILED, last_self_test=result)] == [
        Severity.CRITICAL
    ] * failed


def test_unread_self_test_is_unverified() -> None:
    assert [finding.kind for finding in judge(SELF_TEST_FAILED, last_self_test=DENIED)] == [Kind.UNVERIFIED]


def test_examples() -> None:
    check_examples(
        SELF_TEST_FAILED,
        SATA_BAY,
        example(box(last_self_test="Short offline: Completed without error at 33000 h")),
        example(
            box(last_self_test="Extended offline: Completed: read failure at 34001 h"),
            "critical sda | Make sure that a",
        ),
    )
