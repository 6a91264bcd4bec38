"""Board, processor and SATA drives, held to their own limits, under one rule with NVMe drives."""

from typing import Any

import pytest

from boxes.simulated_past import health_past
from boxes.snapshot_box import A_MORNING, RISER_1, SATA, Box, declare
from laneproof.engine import Engine
from laneproof.findings import Finding, Kind, Severity
from laneproof.past.past import NO_PAST, Past
from laneproof.rules.heat.overheating import OVERHEATING
from laneproof.rules.rule import Pass
from laneproof_collectors.snapshot import Snapshot, TemperatureReading, Thermal
from laneproof_collectors.unread import Reason, Unread
from support.rule_examples import check_examples, example

UNREAD = Unread("/sys/class/hwmon/hwmon2/fan1_input", "permission denied", Reason.DENIED)

POSITION = declare('[[position]]\nlabel = "bay-1"\npath = "0000:00/17.0/ata-1"\n')


def board_box(celsius: float | Unread, **limits: Any) -> Box:
    reading = TemperatureReading(label="VRM", celsius=celsius, **limits)
    return Box().with_group(thermal=Thermal(temperatures=(("board", reading),)))


def heat_of(snapshot: Snapshot, past: Past = NO_PAST) -> list[Finding]:
    return list(OVERHEATING.judge(Pass.of(POSITION, snapshot, past)))


def board_heat(celsius: float | Unread, **limits: Any) -> list[Finding]:
    return heat_of(board_box(celsius, **limits).snapshot())


def test_an_input_to_which_boards_wire_nothing_is_not_judged() -> None:
    readings = tuple(
        ("nct6798", TemperatureReading(label=label, celsius=97.0, maximum_celsius=80.0, critical_celsius=None))
        for label in ("AUXTIN0", "AUXTIN", "AUXTIN2", "SYSTIN")
    )
    (hot,) = heat_of(Box().with_group(thermal=Thermal(temperatures=readings)).snapshot())
    assert hot.subject == "nct6798 SYSTIN"


@pytest.mark.parametrize(
    ("celsius", "limits", "severity"),
    [
        (60.0, {"critical_celsius": 95.0}, None),
        (94.0, {"critical_celsius": 95.0}, None),  # processors run close to their limit by design
        (95.0, {"critical_celsius": 95.0}, Severity.CRITICAL),
        (88.0, {"maximum_celsius": 80.0, "critical_celsius": 100.0}, None),  # a processor's fans-at-full-speed mark
        (88.0, {"maximum_celsius": 80.0}, Severity.WARNING),
        (90.0, {}, None),  # it states no limit
        (90.0, {"maximum_celsius": 0.0, "critical_celsius": 65261.85}, None),  # limits that nobody set
        (90.0, {"maximum_celsius": UNREAD}, None),
    ],
)
def test_board_is_held_to_its_own_limits(celsius: float, limits: dict[str, Any], severity: Severity | None) -> None:
    assert [finding.severity for finding in board_heat(celsius, **limits)] == ([severity] if severity else [])


def test_unread_temperature_is_unverified_where_there_is_a_limit() -> None:
    assert [finding.kind for finding in board_heat(UNREAD, critical_celsius=95.0)] == [Kind.UNVERIFIED]
    assert board_heat(UNREAD) == []


def test_sensors_of_one_name_are_kept_apart() -> None:
    reading = TemperatureReading(label="Tctl", celsius=99.0, critical_celsius=95.0)
    thermal = Thermal(temperatures=(("cpu", reading), ("cpu", reading)))
    findings = heat_of(Box().with_group(thermal=thermal).snapshot())
    assert [finding.key for finding in findings] == ["cpu Tctl", "cpu Tctl #2"]


def test_processor_that_slows_down_is_reported_while_it_does() -> None:
    engine = Engine(None)

    def observe(at: float, count: int) -> list[str]:
        thermal = Thermal(throttle_counts={"package-0": count})
        outcome = engine.observe(Box().with_group(thermal=thermal).snapshot(taken_at=A_MORNING + at))
        return [finding.summary for finding in outcome.findings if finding.rule == "overheating"]

    assert observe(0, 50) == []  # of before the first pass
    assert observe(60, 57) == ["processor package-0 slowed itself down for heat 7 times in the last day"]
    assert observe(3 * 86400, 57) == []


def drive_heat(celsius: object, **facts: Any) -> list[Finding]:
    known: dict[str, Any] = {"recommended_celsius": 60.0, "most_celsius": 70.0} | facts
    box = Box().with_device("0000:00/17.0", class_code=SATA)
    box.with_sata_drive("0000:00/17.0/ata-1", temperature_celsius=celsius, **known)
    return heat_of(box.snapshot())


@pytest.mark.parametrize(
    ("celsius", "severity"),
    [
        (55.0, None),
        (55.1, Severity.NOTICE),
        (60.0, Severity.NOTICE),
        (61.0, Severity.WARNING),
        (70.0, Severity.CRITICAL),
    ],
)
def test_drive_is_held_to_its_own_limits(celsius: float, severity: Severity | None) -> None:
    findings = drive_heat(celsius)
    assert [finding.severity for finding in findings] == ([severity] if severity else [])
    assert all(finding.position == "bay-1" for finding in findings)
    limit = 70.0 if severity is Severity.CRITICAL else 60.0
    assert all(finding.evidence["headroom_celsius"] == round(limit - celsius, 1) for finding in findings)


@pytest.mark.parametrize(
    ("celsius", "facts"),
    [(75.0, {"recommended_celsius": None, "most_celsius": None}), (None, {}), (75.0, {"asleep": True})],
)
def test_drive_without_a_limit_or_a_thermometer_or_asleep_is_not_judged(celsius: object, facts: dict[str, Any]) -> None:
    assert drive_heat(celsius, **facts) == []


def test_drive_whose_heat_cannot_be_read_is_unverified() -> None:
    assert [finding.kind for finding in drive_heat(UNREAD)] == [Kind.UNVERIFIED]
    assert drive_heat(UNREAD, healthy=UNREAD) == []  # reported by critical-warning


def test_examples() -> None:
    check_examples(
        OVERHEATING,
        RISER_1,
        example(health_past([{}] * 8)),
        example(
            health_past([{"warning_temperature_minutes": 20 * day} for day in range(8)]),
            "warning nvme0 | See that fans turn,",
        ),
        example(health_past([{"composite_temperature_celsius": 78.0}] * 8), "notice nvme0 | See that fans turn,"),
        example(board_box(60.0, critical_celsius=95.0), build=None),
        example(board_box(96.0, critical_celsius=95.0), "critical board VRM | See that every fan", build=None),
    )
