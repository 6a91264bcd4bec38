"""Spare blocks that run out."""

import pytest

from laneproof.rules.example_past import PATHS
from simulated_box import Box
from story_engine import DAY, Told


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
