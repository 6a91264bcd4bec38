"""The rated life of a drive, for planning."""

import math

import pytest

from boxes.occupied_box import position
from boxes.simulated_past import health_past, moving
from boxes.snapshot_box import RISER_1, declare, one_drive
from boxes.story_engine import DAY, Watcher
from laneproof.evidence.wear import DATA_UNIT_BYTES
from laneproof.rules.drives.endurance_ending import ENDURANCE_ENDING
from support.rule_examples import check_examples, example


def wear(first: float, last: float, days: int) -> Watcher:
    watcher = Watcher("endurance-ending")
    for day in range(days + 1):
        value = math.floor(first + (last - first) * day / days)
        watcher.observe(one_drive(health={"percentage_used": value}), after=DAY)
    return watcher


@pytest.mark.parametrize(
    ("first", "last", "days", "severity"),
    [
        (12, 15, 180, None),  # the published case: 5,100 days are left
        (40, 60, 40, "warning"),  # 40 points at half a point a day: 80 days
        (40, 50, 40, "notice"),  # 50 points at a quarter of a point a day: 200 days
        (97, 97, 60, None),  # it does not move
        (50, 51, 40, None),  # it only ticked over
        (1, 30, 20, None),  # too short a time
        (100, 104, 40, "notice"),  # used up: planning, no failure
    ],
)
def test_wear(first: int, last: int, days: int, severity: str | None) -> None:
    assert wear(first, last, days).severity == severity


def test_wear_tells_days_with_bounds() -> None:
    (finding,) = wear(40, 60, 40).standing
    left = finding.evidence
    assert left["days_left_at_least"] < left["days_left"] < left["days_left_at_most"]
    assert left["days_left"] == pytest.approx(40 * 40 / 20, abs=1.0)
    assert finding.causes == ()  # wear is nobody's fault


def wear_on(paces: list[float], *, points: int) -> Watcher:
    """A figure of 40 % that goes on at these paces in turn, in days a point, so many points at each."""
    watcher, percent, day, due = Watcher("endurance-ending"), 40, 0.0, 0.0
    for pace in paces:
        for _ in range(points):
            due += pace
            while day < due:
                watcher.observe(one_drive(health={"percentage_used": percent}), after=DAY)
                day += 1.0
            percent += 1
    return watcher


def test_wear_that_comes_within_a_year_is_reported_once_through_weeks_with_less_work() -> None:
    watcher = wear_on([9.0] * 22 + [30.0] + [9.0] * 10, points=1)  # with the pause, over a year is left for some weeks
    assert watcher.became == ["raised"]


def test_wear_clears_at_a_pace_that_leaves_well_over_a_year() -> None:
    watcher = wear_on([5.0, 60.0], points=8)
    assert watcher.became[-1] == "cleared"


TB = 10**12


def write(first: float, a_day: float, days: int, *, plan: str = "") -> Watcher:
    """A drive that had so many TB written to it, and so many more each day; its occupant may be declared further."""
    build = declare(position("riser-1", 1, f'{{ endurance = "600 TB"{plan} }}'))
    watcher = Watcher("endurance-ending", build)
    for day in range(days + 1):
        units = round((first + a_day * day) * TB / 512_000)
        watcher.observe(one_drive(health={"percentage_used": 3, "data_units_written": units}), after=DAY)
    return watcher


@pytest.mark.parametrize(
    ("first", "a_day", "days", "severity"),
    [
        (160.0, 0.3693, 40, None),  # the published pace of 175 TB in 11,374 hours: 1,151 days to 600 TB
        (400.0, 1.0, 40, "notice"),  # 160 TB are left: 160 days
        (500.0, 1.0, 40, "warning"),  # 60 days
        (590.0, 0.0, 40, None),  # nothing is written
        (500.0, 2.0, 20, None),  # too short a time
        (620.0, 0.1, 40, "notice"),  # used up: planning, no failure
        (620.0, 0.1, 0, "notice"),  # which needs no pace
    ],
)
def test_what_is_written_is_held_against_the_declared_endurance(
    first: float, a_day: float, days: int, severity: str | None
) -> None:
    watcher = write(first, a_day, days)
    assert watcher.severity == severity
    left = {"notice": " within a year", "warning": " within 90 days"} if first < 600.0 else {"notice": ""}
    assert all(finding.observed == f"rated life used up{left[finding.severity]}" for finding in watcher.standing)


def test_of_the_two_clocks_the_nearer_is_reported_with_its_bounds() -> None:
    (finding,) = write(400.0, 1.0, 40).standing
    assert finding.evidence["nearer_by"] == "writes"
    assert finding.evidence["days_left"] == pytest.approx(160.0, abs=0.1)
    assert finding.evidence["days_left_at_least"] <= 160.0 <= finding.evidence["days_left_at_most"] + 0.1
    assert finding.evidence["written_bytes"] == pytest.approx(440 * TB, abs=1e6)
    assert finding.evidence["rated_bytes"] == 600 * TB
    assert "has used 3 % of its rated life and has 440 TB written to it of the 600 TB" in finding.summary
    assert "reaches all that it is rated for in 160 days" in finding.summary
    percent = wear(40, 60, 40).standing[0]
    assert percent.evidence["nearer_by"] == "percentage"


def test_another_drive_than_the_declared_one_is_not_held_against_its_endurance() -> None:
    assert write(500.0, 1.0, 40, plan=', serial = "FN1"').severity == "warning"
    assert write(500.0, 1.0, 40, plan=', serial = "FN2"').severity is None


def test_a_count_of_writes_that_falls_begins_the_pace_again() -> None:
    watcher = write(500.0, 1.0, 40)
    watcher.observe(one_drive(health={"percentage_used": 3, "data_units_written": 10}), after=DAY)
    assert watcher.standing == []


def test_a_drive_that_reports_no_writes_is_not_held_against_its_endurance() -> None:
    watcher = Watcher("endurance-ending", declare(position("a", 1, '{ endurance = "1 TB" }')))
    health = {"data_units_written": 10**10, "absent": ("data_units_written", "percentage_used")}
    assert watcher.observe(one_drive(health=health), after=DAY, times=40).standing == []


def test_examples() -> None:
    check_examples(
        ENDURANCE_ENDING,
        RISER_1,
        example(health_past(moving(12, 15, 180, "percentage_used"), passes_a_day=1)),
        example(
            health_past(
                [{"data_units_written": (60_000 + 1_000 * day) * 10**9 // DATA_UNIT_BYTES} for day in range(32)],
                passes_a_day=1,
            ),
            "warning nvme0 | See what writes so",
            build=position("riser-1", 1, '{ endurance = "100 TB" }'),
        ),
        example(
            health_past(moving(40, 60, 40, "percentage_used"), passes_a_day=1), "warning nvme0 | See what writes so"
        ),
    )
