"""sectors-failing, interface-errors and self-test-failed: what SATA and SAS drives count themselves."""

from typing import Any

import pytest

from laneproof.engine import Engine
from laneproof.findings import Finding, Kind, Severity
from laneproof.past.box_record import DAY
from laneproof.past.past import NOTHING
from laneproof.rules import judge_all
from laneproof.rules.drives.drive_rules import INTERFACE_ERRORS, SECTORS_FAILING, SELF_TEST_FAILED, has_failed
from laneproof.rules.rule import Rule
from laneproof_collectors.snapshot import Snapshot
from laneproof_collectors.unread import Reason, Unread
from simulated_box import A_MORNING, SATA, Box, declare

BUILD = declare('[[position]]\nlabel = "bay-1"\npath = "0000:00/17.0/ata-1"\n')
DENIED = Unread("smartctl of sda", "permission denied", Reason.DENIED)
RULES = (SECTORS_FAILING, INTERFACE_ERRORS, SELF_TEST_FAILED)


def box(*, at: float = A_MORNING, **facts: Any) -> Snapshot:  # noqa: ANN401 (any fact of the drive)
    made = Box().with_device("0000:00/17.0", class_code=SATA).with_sata_drive("0000:00/17.0/ata-1", **facts)
    return made.snapshot(taken_at=at)


def judge(rule: Rule, **facts: Any) -> list[Finding]:  # noqa: ANN401 (any fact of the drive)
    return list(rule.judge(BUILD, box(**facts), NOTHING))


def watch(rule: str, counter: str, counts: list[int], *, every: float = DAY) -> list[Finding]:
    engine = Engine(BUILD)
    findings: list[Finding] = []
    for number, count in enumerate(counts):
        outcome = engine.observe(box(at=A_MORNING + number * every, **{counter: count}))
        findings = [one for one in outcome.findings if one.rule == rule]
    return findings


@pytest.mark.parametrize("rule", RULES, ids=lambda rule: rule.name)
def test_sound_drive_holds(rule: Rule) -> None:
    assert judge(rule) == []


@pytest.mark.parametrize("rule", RULES, ids=lambda rule: rule.name)
def test_drive_without_such_a_count_holds(rule: Rule) -> None:
    facts = {"pending_sectors": None, "reallocated_sectors": None, "uncorrectable_sectors": None}
    assert judge(rule, interface_errors=None, last_self_test=None, **facts) == []


@pytest.mark.parametrize("rule", RULES, ids=lambda rule: rule.name)
def test_drive_of_which_nothing_can_be_read_is_told_by_critical_warning(rule: Rule) -> None:
    names = ("healthy", "pending_sectors", "reallocated_sectors", "uncorrectable_sectors", "interface_errors")
    assert judge(rule, last_self_test=DENIED, **dict.fromkeys(names, DENIED)) == []


@pytest.mark.parametrize("rule", RULES, ids=lambda rule: rule.name)
def test_drive_that_sleeps_is_not_judged(rule: Rule) -> None:
    assert judge(rule, asleep=True, pending_sectors=8, interface_errors=90) == []


# --- sectors-failing --------------------------------------------------------------------------------------------------


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


# --- interface-errors -------------------------------------------------------------------------------------------------


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


# --- self-test-failed -------------------------------------------------------------------------------------------------


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


# --- places -----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("hop", ["phy-0/phy-12", "scsi-0.4", "usb-1.2/lun-1"])
def test_drive_behind_an_expander_or_another_unit_is_in_its_declared_position(hop: str) -> None:
    path = f"0000:00/17.0/{hop}"
    build = declare(
        f'[[position]]\nlabel = "bay-9"\npath = "{path}"\noccupant = {{ kind = "sata", serial = "GSsda" }}\n'
    )
    box = Box().with_device("0000:00/17.0", class_code=SATA)
    (empty,) = judge_all(build, box.snapshot(), NOTHING)
    assert (empty.rule, empty.position) == ("position-empty", "bay-9")
    (finding,) = judge_all(build, box.with_sata_drive(path, pending_sectors=3).snapshot(), NOTHING)
    assert (finding.rule, finding.position) == ("sectors-failing", "bay-9")
