"""Drives, board and processor, held to their own limits."""

from typing import Any

import pytest

from boxes.losing_box import DOWN
from boxes.simulated_past import health_past
from boxes.snapshot_box import A_MORNING, RISER_1, SATA, Box, declare, one_drive
from boxes.story_engine import DAY, HOUR, Watcher, hours
from laneproof.engine import Engine
from laneproof.findings import Finding, Kind, Severity
from laneproof.past.past import NO_PAST, Past
from laneproof.rules.heat.overheating import OVERHEATING
from laneproof.rules.rule import Pass
from laneproof_collectors.snapshot import Snapshot, TemperatureReading, Thermal
from laneproof_collectors.unread import Reason, Unread
from support.rule_examples import check_examples, example

# --- NVMe drives ------------------------------------------------------------------------------------------------------

NO_LOG = {"identity": Unread("identify of nvme0", "denied"), "health": Unread("log 02h of nvme0", "denied")}


def thermometer(celsius: float, *, alarm: bool = False, limits: tuple[float, float] | None = (80.0, 85.0)) -> Box:
    """Make a drive of which only the kernel's thermometer tells."""
    most, critical = limits or (None, None)
    reading = TemperatureReading(
        label="Composite", celsius=celsius, maximum_celsius=most, critical_celsius=critical, alarm=alarm
    )
    return one_drive(controller={**NO_LOG, "temperatures": (reading,)})


@pytest.mark.parametrize(
    ("celsius", "number", "severity"),
    [(74.0, 48, None), (76.0, 48, "notice"), (79.0, 48, "notice"), (78.0, 10, None)],  # few readings say nothing
)
def test_nearness_to_its_own_threshold_is_a_notice(celsius: float, number: int, severity: str | None) -> None:
    assert hours(Watcher("overheating"), number, composite_temperature_celsius=celsius).severity == severity


def test_some_minutes_a_year_are_a_notice_and_hours_in_a_week_an_alarm() -> None:
    watcher = hours(Watcher("overheating"), 24, warning_temperature_minutes=72)  # what was counted before is old
    assert watcher.changes == []
    hours(watcher, 1, warning_temperature_minutes=74)
    assert watcher.severity == "notice"
    for day in range(3):
        hours(watcher, 24, warning_temperature_minutes=100 + 40 * day)
    assert watcher.severity == "warning"
    assert watcher.standing[0].observed == "above its own warning threshold"


def test_minutes_of_the_week_are_set_beside_those_of_a_year_of_its_life() -> None:
    # the published case: 72 minutes in 28,624 powered hours are 22 minutes in a year
    watcher = hours(Watcher("overheating"), 24, warning_temperature_minutes=70, power_on_hours=28_624)
    hours(watcher, 1, warning_temperature_minutes=72, power_on_hours=28_624)
    (finding,) = watcher.standing
    assert finding.evidence["warning_minutes_a_year"] == pytest.approx(72 / 28_624 * 8766, abs=0.05)
    assert "for 2 minutes in the last week (22 minutes a year over its whole life)" in finding.summary


def test_a_drive_that_reports_no_powered_hours_is_reported_without_its_year() -> None:
    watcher = hours(Watcher("overheating"), 24, power_on_hours=0)
    hours(watcher, 1, warning_temperature_minutes=2, power_on_hours=0)
    (finding,) = watcher.standing
    assert finding.evidence["warning_minutes_a_year"] is None
    assert "a year" not in finding.summary


def test_it_clears_after_a_week() -> None:
    watcher = hours(Watcher("overheating"), 24)
    hours(watcher, 1, warning_temperature_minutes=3)
    hours(watcher, 6 * 24, warning_temperature_minutes=3)
    assert watcher.standing
    hours(watcher, 2 * 24, warning_temperature_minutes=3)
    assert watcher.standing == []


def test_a_drive_that_counts_no_minutes_is_judged_by_the_readings_of_its_log() -> None:
    watcher = Watcher("overheating")
    for _ in range(3):  # days, each with an hour's load
        hours(watcher, 1, composite_temperature_celsius=82.0)
        hours(watcher, 23)
    assert watcher.became == ["raised", "changed"]
    assert watcher.severity == "warning"


def test_a_short_burst_above_its_threshold_is_a_notice_for_a_week() -> None:
    watcher = Watcher("overheating")
    for celsius in (82.0, 40.0, 40.0):
        watcher.observe(one_drive(health={"composite_temperature_celsius": celsius}), after=HOUR / 4)
    assert "was seen at 82 °C in the last week, its warning threshold is 80 °C" in watcher.standing[0].summary
    hours(watcher, 160)
    assert watcher.became == ["raised"]
    hours(watcher, 10)
    assert watcher.became == ["raised", "cleared"]


def test_a_drive_that_counts_its_minutes_is_judged_by_them_alone() -> None:
    watcher = hours(Watcher("overheating"), 24, warning_temperature_minutes=5)
    for _ in range(3):
        hours(watcher, 1, composite_temperature_celsius=82.0, warning_temperature_minutes=6)
        hours(watcher, 23, warning_temperature_minutes=6)
    assert watcher.severity == "notice"


def test_the_kernels_thermometer_stands_in_for_the_log() -> None:
    watcher = Watcher("overheating")
    watcher.observe(thermometer(81.0), after=HOUR, times=2)
    assert watcher.severity == "notice"
    assert "81 °C, its warning threshold is 80 °C; it was seen above it for about 120" in watcher.standing[0].summary
    assert [cause.cause for cause in watcher.standing[0].causes] == ["heat"]


def test_readings_of_the_thermometer_stand_for_the_minutes_that_the_log_would_count() -> None:
    watcher = Watcher("overheating")
    for day in range(2):
        for number in range(24 * 4):
            watcher.observe(thermometer(82.0 if number in (8, 9) else 60.0), after=HOUR / 4)
        assert watcher.severity == ("notice" if day == 0 else "warning")  # half an hour a day: an hour, on two days
    assert "seen above its warning threshold for about 60 minutes in the last week" in watcher.standing[0].summary
    watcher.observe(thermometer(60.0), after=HOUR, times=8 * 24)
    assert watcher.standing == []


def test_the_critical_threshold_takes_two_readings_of_the_thermometer() -> None:
    watcher = Watcher("overheating").observe(thermometer(60.0)).observe(thermometer(86.0), after=60.0)
    assert watcher.severity == "notice"
    watcher.observe(thermometer(86.0), after=60.0)
    assert watcher.severity == "critical"


def test_a_drive_without_thresholds_is_believed_its_own_alarm_of_heat_and_not_that_of_cold() -> None:
    watcher = Watcher("overheating").observe(thermometer(66.0, limits=None))
    assert watcher.observe(thermometer(2.0, alarm=True, limits=None)).standing == []
    watcher.observe(thermometer(66.0, alarm=True, limits=None), after=60.0)
    assert watcher.severity == "notice"
    assert "66 °C, and raises its own alarm" in watcher.standing[0].summary


def test_thresholds_that_nobody_set_are_none() -> None:
    watcher = Watcher("overheating")
    watcher.observe(thermometer(70.0, limits=(-273.0, 200.0)), after=HOUR, times=48)
    assert watcher.changes == []


def test_heat_is_the_decided_cause_of_its_own_sign_above_a_limit_of_the_drive() -> None:
    watcher = hours(Watcher("overheating"), 2)  # a box so young that nothing else is known
    hours(watcher, 1, critical_temperature_minutes=54)
    assert watcher.severity == "critical"
    ((cause,),) = [finding.causes for finding in watcher.standing]
    assert (cause.cause, cause.probability) == ("heat", 1.0)
    assert cause.because == (
        "the drive was above its critical threshold for 54 minutes in the last week",
        "its own limits are 80 °C (warning) and 85 °C (critical)",
    )


def test_a_drive_that_is_only_warm_has_its_cause_weighed() -> None:
    watcher = hours(Watcher("overheating"), 48, composite_temperature_celsius=77.0)
    (finding,) = watcher.standing
    assert sum(cause.probability for cause in finding.causes) == pytest.approx(1.0, abs=0.2)
    assert len(finding.causes) > 1


def test_heat_decides_nothing_for_the_drops_in_its_position() -> None:
    watcher = hours(Watcher("drops-off-bus"), 24)
    watcher.observe(one_drive(health={"critical_temperature_minutes": 3}), after=HOUR, log=(DOWN,), times=4)
    (drops,) = watcher.standing
    assert len(drops.causes) > 1
    assert drops.causes[0].probability < 1.0


@pytest.mark.parametrize("after_days", [8, 20])
def test_a_temperature_that_is_not_read_any_more_is_not_reported_as_present(after_days: int) -> None:
    watcher = Watcher("overheating").observe(thermometer(50.0))
    watcher.observe(thermometer(85.0), after=HOUR)
    assert watcher.standing
    watcher.observe(one_drive(controller=NO_LOG), after=DAY, times=after_days)
    assert watcher.standing == []


# --- board, processor and SATA drives ---------------------------------------------------------------------------------

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
