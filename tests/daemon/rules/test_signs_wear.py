"""spare-low and wear-ahead: by the pace seen, with bounds, and never for a figure that only ticked over."""

import pytest

from laneproof.rules.example_past import PATHS
from simulated_box import Box
from story_engine import DAY, Told


def fall(rule: str, name: str, first: float, last: float, days: int) -> Told:
    told = Told(rule)
    for day in range(days + 1):
        value = round(first + (last - first) * day / days)
        told.look(Box().with_port(PATHS[0]).with_drive(PATHS[0], serial="FN1", health={name: value}), after=DAY)
    return told


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
    assert fall("wear-ahead", "percentage_used", first, last, days).severity == severity


def test_wear_tells_days_with_bounds() -> None:
    (finding,) = fall("wear-ahead", "percentage_used", 40, 60, 40).standing
    left = finding.evidence
    assert left["days_left_at_least"] < left["days_left"] < left["days_left_at_most"]
    assert left["days_left"] == pytest.approx(40 * 40 / 20, abs=1.0)
    assert finding.causes == ()  # wear is nobody's fault


@pytest.mark.parametrize(
    ("first", "last", "days", "severity"),
    [
        (100, 100, 60, None),
        (100, 94, 120, None),  # the published case: 1,680 days are left
        (100, 80, 60, "notice"),  # 70 points at a third of a point a day: 210 days
        (15, 15, 0, "warning"),  # within five points of its threshold of ten
        (9, 9, 0, "warning"),
        (16, 16, 0, None),
    ],
)
def test_spare(first: int, last: int, days: int, severity: str | None) -> None:
    told = Told("spare-low")
    for day in range(days + 1):
        value = round(first + (last - first) * day / max(days, 1))
        health = {"available_spare_percent": value}
        told.look(Box().with_port(PATHS[0]).with_drive(PATHS[0], serial="FN1", health=health), after=DAY)
    assert told.severity == severity


def test_a_full_spare_is_never_low_whatever_its_threshold_says() -> None:
    health = {"available_spare_percent": 100, "available_spare_threshold_percent": 100}
    told = Told("spare-low").look(Box().with_port(PATHS[0]).with_drive(PATHS[0], health=health))
    assert told.standing == []
