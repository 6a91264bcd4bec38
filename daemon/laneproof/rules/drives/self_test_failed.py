"""self-test-failed: the result of a SATA or SAS drive's last self-test."""

import re
from collections.abc import Iterator

from laneproof.advice import BACK_UP, REPLACE, advise
from laneproof.findings import Finding, Kind, Severity
from laneproof.rules.drives.asleep import keep_those_asleep
from laneproof.rules.drives.sata_drives import find_awake, report_gap, report_sign
from laneproof.rules.rule import Pass, Rule, holds, sign
from laneproof_collectors.unread import Unread

_TEST_RESULT = re.compile(r"[^:]*: (.*) at \S+ h")
_TEST_FAULTS = re.compile(r"fail|fatal|damage", re.IGNORECASE)
"""Words of the standard's results: read failure, electrical failure, servo/seek failure, fatal or unknown error,
handling damage. Source: ACS-3, Self-test execution status; SPC-4, Self-test results (both from memory)."""


def _judge(current: Pass) -> Iterator[Finding]:
    yield from keep_those_asleep(current, SELF_TEST_FAILED.name)
    for arrangement, occupant, drive in find_awake(current):
        result = drive.last_self_test
        if isinstance(result, Unread):
            yield report_gap(SELF_TEST_FAILED, arrangement, occupant, result)
        elif result is not None and has_failed(result):
            said = [(f"its last self-test failed ({result})", Severity.CRITICAL)]
            yield report_sign(SELF_TEST_FAILED, arrangement, occupant, said, {"last_self_test": result})


def has_failed(self_test: str) -> bool:
    """Whether a self-test's result says that the drive failed it; one that was stopped says nothing."""
    match = _TEST_RESULT.fullmatch(self_test)
    return _TEST_FAULTS.search(match[1] if match else self_test) is not None


SELF_TEST_FAILED = Rule(
    name="self-test-failed",
    kind=Kind.SIGN,
    statement="The last self-test of each SATA or SAS drive did not fail.",
    why="A drive that fails its own test has found, by itself and without any cable, something that it cannot do.",
    next_steps=advise(BACK_UP, "Read failure: see sectors-failing, and let its array be checked.", REPLACE),
    judge=_judge,
    examples=(
        holds("the last test completed without error"),
        sign(
            "the last test met a sector that it could not read",
            "bay-1 (sda): its last self-test failed (Extended offline: Completed: read failure at 34001 h)",
        ),
    ),
    sources=("ACS-3 and SPC-4: results of self-tests (from memory)",),
)
