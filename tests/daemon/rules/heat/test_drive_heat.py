"""NVMe drives, held to their own limits of temperature."""

import pytest

from boxes.losing_box import DOWN
from boxes.snapshot_box import Box, one_drive
from boxes.story_engine import DAY, HOUR, Watcher, hours
from laneproof_collectors.snapshot import TemperatureReading
from laneproof_collectors.unread import Unread

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
    assert [change for change, _, _ in watcher.changes] == ["raised", "changed"]
    assert watcher.severity == "warning"


def test_a_short_burst_above_its_threshold_is_a_notice_for_a_week() -> None:
    watcher = Watcher("overheating")
    for celsius in (82.0, 40.0, 40.0):
        watcher.observe(one_drive(health={"composite_temperature_celsius": celsius}), after=HOUR / 4)
    assert "was seen at 82 °C in the last week, its warning threshold is 80 °C" in watcher.standing[0].summary
    hours(watcher, 160)
    assert [change for change, _, _ in watcher.changes] == ["raised"]
    hours(watcher, 10)
    assert [change for change, _, _ in watcher.changes] == ["raised", "cleared"]


def test_a_drive_that_counts_its_minutes_is_judged_by_them_alone() -> None:
    watcher = hours(Watcher("overheating"), 24, warning_temperature_minutes=5)
    for _ in range(3):
        hours(watcher, 1, composite_temperature_celsius=82.0, warning_temperature_minutes=6)
        hours(watcher, 23, warning_temperature_minutes=6)
    assert watcher.severity == "notice"


def test_the_kernels_thermometer_stands_in_for_the_log() -> None:
    watcher = Watcher("overheating")
    for _ in range(2):
        watcher.observe(thermometer(81.0), after=HOUR)
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
    for _ in range(8 * 24):
        watcher.observe(thermometer(60.0), after=HOUR)
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
    for _ in range(48):
        watcher.observe(thermometer(70.0, limits=(-273.0, 200.0)), after=HOUR)
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
    for _ in range(4):
        watcher.observe(one_drive(health={"critical_temperature_minutes": 3}), after=HOUR, log=(DOWN,))
    (drops,) = watcher.standing
    assert len(drops.causes) > 1
    assert drops.causes[0].probability < 1.0


@pytest.mark.parametrize("after_days", [8, 20])
def test_a_temperature_that_is_not_read_any_more_is_not_reported_as_present(after_days: int) -> None:
    watcher = Watcher("overheating").observe(thermometer(50.0))
    watcher.observe(thermometer(85.0), after=HOUR)
    assert watcher.standing
    for _ in range(after_days):
        watcher.observe(one_drive(controller=NO_LOG), after=DAY)
    assert watcher.standing == []
