"""critical-warning, where drives' health logs cannot be read: once for one cause, else drive by drive."""

import pytest

from boxes.simulated_past import PATHS
from boxes.snapshot_box import SATA, Box, declare_risers
from laneproof.findings import Finding, Kind
from laneproof.rules.drives.critical_warning import CRITICAL_WARNING
from laneproof_collectors.unread import Reason, Unread
from support.rule_examples import judge as judge_box


def gap(number: int, reason: Reason = Reason.DENIED, detail: str = "EACCES") -> Unread:
    return Unread(f"log 02h of nvme{number}", "permission denied (EACCES)", reason, detail)


def make(*healths: Unread | dict[str, object]) -> Box:
    made = Box()
    for number, (path, health) in enumerate(zip(PATHS, healths, strict=False)):
        made.with_port(path).with_drive(path, serial=f"FN{number}", health=health)
    return made


def judge(made: Box) -> list[Finding]:
    return judge_box(CRITICAL_WARNING, declare_risers(4), made)


def test_logs_that_nobody_may_read_are_one_note_that_names_all_drives() -> None:
    (finding,) = judge(make(*[gap(number) for number in range(4)]))
    assert (finding.kind, finding.position) == (Kind.UNVERIFIED, None)
    assert finding.identity == ("critical-warning", "health-logs")
    assert finding.summary == (
        "what riser-1, riser-2, riser-3, riser-4 say of their health could not be verified: could not read log 02h of "
        "nvme0: permission denied (EACCES); the others likewise"
    )
    assert list(finding.evidence["unread"]) == ["riser-1", "riser-2", "riser-3", "riser-4"]
    assert "root" in finding.next_steps[0]


@pytest.mark.parametrize(
    "healths",
    [
        pytest.param((gap(0), gap(1), {}), id="one log can be read"),
        pytest.param((gap(0), gap(1, Reason.ABSENT, "ENOENT")), id="two causes"),
        pytest.param((gap(0), gap(1, Reason.DENIED, "EPERM")), id="two errors"),
        pytest.param((gap(0, Reason.REFUSED), gap(1, Reason.REFUSED)), id="the drives refused"),
        pytest.param((gap(0, Reason.TIMED_OUT), gap(1, Reason.TIMED_OUT)), id="the drives do not answer"),
        pytest.param((gap(0, Reason.NOT_ASKED), gap(1, Reason.NOT_ASKED)), id="the drives sleep"),
        pytest.param((gap(0),), id="a lone drive"),
    ],
)
def test_each_drive_is_reported_where_it_is_not_one_cause_for_all(healths: tuple[Unread | dict[str, object]]) -> None:
    unread = [number for number, health in enumerate(healths, start=1) if isinstance(health, Unread)]
    assert [finding.position for finding in judge(make(*healths))] == [f"riser-{number}" for number in unread]


def test_a_drive_that_stops_answering_is_reported_besides_and_leaves_the_others_together() -> None:
    findings = judge(make(gap(0), gap(1), gap(2, Reason.GONE, "ENODEV")))
    assert [finding.position for finding in findings] == [None, "riser-3"]
    assert list(findings[0].evidence["unread"]) == ["riser-1", "riser-2"]


def test_other_drives_beside_shut_logs_are_judged_as_ever() -> None:
    made = make(gap(0), gap(1)).with_device("0000:00/17.0", class_code=SATA)
    made.with_sata_drive("0000:00/17.0/ata-1", healthy=False)
    assert [finding.kind for finding in judge(made)] == [Kind.UNVERIFIED, Kind.SIGN]
