"""Fans that stand still."""

from typing import Any

import pytest

from boxes.snapshot_box import A_MORNING, Box
from laneproof.findings import Finding, Kind, Severity
from laneproof.past.box_record import BoxRecord
from laneproof.past.past import NO_PAST, Past
from laneproof.rules.heat.fan_stopped import FAN_STOPPED
from laneproof_collectors.snapshot import Fan, Thermal
from laneproof_collectors.unread import Reason, Unread
from support.rule_examples import check_examples, example, judge

UNREAD = Unread("/sys/class/hwmon/hwmon2/fan1_input", "permission denied", Reason.DENIED)


def fan(rpm: int | Unread, label: str = "fan1", **facts: Any) -> Fan:
    known: dict[str, Any] = {"chip": "board", "minimum_rpm": None, "alarm": None} | facts
    return Fan(label=label, rpm=rpm, **known)


def with_fans(*fans: Fan) -> Box:
    return Box().with_group(thermal=Thermal(fans=fans))


def fans_of(*fans: Fan, text: str = "", past: Past = NO_PAST) -> list[Finding]:
    return judge(FAN_STOPPED, text, with_fans(*fans), past)


DECLARED = '[[fan]]\nlabel = "fan1"\n'

TURNED = Past(box=BoxRecord(turning={"board fan1": A_MORNING - 4000}, still={"board fan1": A_MORNING - 3600}))


@pytest.mark.parametrize(
    ("found", "text", "severity"),
    [
        (fan(900), DECLARED, None),
        (fan(0), DECLARED, Severity.CRITICAL),
        (fan(400), DECLARED + "minimum_rpm = 500\n", Severity.WARNING),
        (fan(500), DECLARED + "minimum_rpm = 500\n", None),
        (fan(900, alarm=True), DECLARED, Severity.WARNING),
        (fan(900, alarm=True), DECLARED + "minimum_rpm = 500\n", None),  # the owner's figure, not the chip's
        (fan(700), "", None),
        (fan(0), "", None),  # a connector with nothing on it
        (fan(0, alarm=True), "", None),
    ],
)
def test_declared_fan_must_turn(found: Fan, text: str, severity: Severity | None) -> None:
    assert [finding.severity for finding in fans_of(found, text=text)] == ([severity] if severity else [])


@pytest.mark.parametrize(
    ("rests", "days", "alarm", "severity"),
    [
        (0, 0.04, False, None),
        (0, 0.9, False, Severity.NOTICE),
        (0, 1.0, False, Severity.WARNING),
        (1, 0.5, True, Severity.WARNING),
        (1, 1.0, False, Severity.WARNING),
        (2, 2.9, False, None),  # boards let fans rest while it is cool: common practice, no source
        (2, 3.0, False, Severity.NOTICE),
        (2, 0.1, True, None),  # its chip's least speed is set by the board
    ],
)
def test_a_fan_that_nobody_declared_may_rest(
    *, rests: int, days: float, alarm: bool, severity: Severity | None
) -> None:
    still = {"board fan1": A_MORNING - days * 86400}
    past = Past(box=BoxRecord(turning={"board fan1": 1.0}, still=still, rests={"board fan1": rests}))
    assert [finding.severity for finding in fans_of(fan(0, alarm=alarm), past=past)] == ([severity] if severity else [])


def test_fan_of_a_graphics_card_rests_by_plan() -> None:
    past = Past(box=BoxRecord(turning={"amdgpu fan1": 1.0}, still={"amdgpu fan1": A_MORNING - 7200}))
    assert fans_of(fan(0, chip="amdgpu"), past=past) == []
    # declared it must turn, and is reported once
    assert len(fans_of(fan(0, chip="amdgpu"), text=DECLARED + 'chip = "amdgpu"\n', past=past)) == 1


def test_declared_fan_that_no_chip_shows_is_unverified() -> None:
    (finding,) = fans_of(fan(900, "fan2"), text=DECLARED + 'chip = "board"\n')
    assert finding.kind is Kind.UNVERIFIED
    why = "no chip shows a fan of that name; its driver may not be loaded"
    assert finding.summary == f"fan board fan1 could not be verified: {why}"


def test_fan_that_cannot_be_read_is_unverified_where_it_is_declared() -> None:
    assert [finding.kind for finding in fans_of(fan(UNREAD), text=DECLARED)] == [Kind.UNVERIFIED]
    assert fans_of(fan(UNREAD)) == []


def test_unread_sensors_are_unverified_for_each_declared_fan() -> None:
    box = Box().with_group(thermal=Unread("/sys/class/hwmon", "no such file", Reason.ABSENT))
    assert [finding.kind for finding in judge(FAN_STOPPED, DECLARED, box)] == [Kind.UNVERIFIED]
    assert judge(FAN_STOPPED, "", box) == []


def test_examples() -> None:
    check_examples(
        FAN_STOPPED,
        'fan = [{ label = "fan2", minimum_rpm = 500 }]',
        example(with_fans(fan(0), fan(900, "fan2"))),
        example(with_fans(fan(800), fan(0, "fan2")), "critical board fan2 | Look at the"),
        example(with_fans(fan(0)), "notice board fan1 | Look at the", build=None, past=TURNED),
    )
