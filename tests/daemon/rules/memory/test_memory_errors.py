"""Errors that the memory had."""

from dataclasses import replace

import pytest

from boxes.simulated_past import DAY
from boxes.snapshot_box import A_MORNING, Box, make_memory
from laneproof.engine import Engine
from laneproof.findings import Finding, Kind, Severity
from laneproof.rules.memory.memory_errors import MEMORY_ERRORS
from laneproof_collectors.snapshot import EdacController, Memory, Snapshot
from laneproof_collectors.unread import Unread
from support.rule_examples import check_examples, example, judge

UNREAD = Unread("/sys/firmware/dmi/entries", "permission denied")


def with_memory(memory: Memory | Unread) -> Box:
    return Box().with_group(memory=memory)


def counted(correctable: int | Unread, uncorrectable: int | Unread = 0) -> Memory:
    edac = (EdacController(name="mc0", correctable=correctable, uncorrectable=uncorrectable),)
    return replace(make_memory(), edac=edac)


@pytest.mark.parametrize(
    ("memory", "severity"),
    [
        (counted(0), None),
        (make_memory(), None),  # no driver: nothing to judge
        (counted(1), Severity.NOTICE),
        (counted(40), Severity.WARNING),
        (counted(0, 1), Severity.CRITICAL),
    ],
)
def test_errors_are_reported_by_what_they_mean(memory: Memory, severity: Severity | None) -> None:
    findings = judge(MEMORY_ERRORS, None, with_memory(memory))
    assert [(finding.kind, finding.severity) for finding in findings] == ([(Kind.SIGN, severity)] if severity else [])


def test_few_errors_in_a_long_time_are_a_notice() -> None:
    snapshot = replace(with_memory(counted(40)).snapshot(), up_seconds=100 * DAY)
    (finding,) = judge(MEMORY_ERRORS, None, snapshot)
    assert finding.severity is Severity.NOTICE


@pytest.mark.parametrize("memory", [counted(UNREAD), counted(0, UNREAD)])
def test_counts_that_cannot_be_read_are_unverified(memory: Memory) -> None:
    assert [finding.kind for finding in judge(MEMORY_ERRORS, None, with_memory(memory))] == [Kind.UNVERIFIED]


def test_errors_that_come_fast_now_are_a_warning_though_the_box_ran_long() -> None:
    engine = Engine(None)

    def observe(at: float, count: int) -> list[Severity]:
        snapshot: Snapshot = with_memory(counted(count)).snapshot(taken_at=A_MORNING + at)
        found = engine.observe(replace(snapshot, up_seconds=400 * DAY + at)).findings
        return [finding.severity for finding in found if finding.rule == "memory-errors"]

    assert observe(0, 3) == [Severity.NOTICE]
    assert observe(600, 30) == [Severity.WARNING]
    assert observe(3 * DAY, 30) == [Severity.WARNING]  # an alarm stands while the week has many
    assert observe(8 * DAY, 30) == [Severity.NOTICE]


@pytest.mark.parametrize(
    ("after", "before", "said"),
    [
        (0, 4, "in the last 7 days: 4 corrected, none since"),
        (0, 40, "in the last 7 days: 40 corrected, none since"),
        (3, 4, "started: 3 corrected; 7 corrected in the last 7 days"),
    ],
)
def test_a_restart_mends_no_memory(after: int, before: int, said: str) -> None:
    engine = Engine(None)
    engine.observe(with_memory(counted(0)).snapshot())
    engine.observe(with_memory(counted(before)).snapshot(taken_at=A_MORNING + 600.0))
    again = with_memory(counted(after)).with_firmware(boot_id="second")

    def observe(at: float) -> list[Finding]:
        snapshot = replace(again.snapshot(taken_at=A_MORNING + at), up_seconds=at - 1000.0)
        return [finding for finding in engine.observe(snapshot).findings if finding.rule == "memory-errors"]

    (finding,) = observe(1200.0)
    assert (finding.severity, finding.next_steps[0][:16]) == (Severity.NOTICE, "See which module")
    assert said in finding.summary
    assert [finding.severity for finding in observe(9 * DAY)] == ([Severity.NOTICE] if after else [])


@pytest.mark.parametrize(
    ("corrected", "said"),
    [
        (0, "in the last 7 days: 1 not corrected, none since the box was started"),
        (2, "since the box was started: 2 corrected; 1 not corrected in the last 7 days"),
    ],
)
def test_errors_that_were_not_corrected_before_the_last_start_stay_an_alarm_for_a_week(
    corrected: int, said: str
) -> None:
    engine, again = Engine(None), with_memory(counted(corrected)).with_firmware(boot_id="second")
    engine.observe(with_memory(counted(0)).snapshot())
    engine.observe(with_memory(counted(0, 1)).snapshot(taken_at=A_MORNING + 600.0))
    (finding,) = engine.observe(replace(again.snapshot(taken_at=A_MORNING + 1200.0), up_seconds=60.0)).findings
    assert finding.severity is Severity.WARNING
    assert said in finding.summary
    assert finding.next_steps[0].startswith("Not corrected:")


def test_examples() -> None:
    check_examples(
        MEMORY_ERRORS,
        None,
        example(with_memory(counted(0))),
        example(with_memory(counted(1)), "notice mc0 | See which module"),
        example(with_memory(counted(3, 1)), "critical mc0 | Not corrected:"),
    )
