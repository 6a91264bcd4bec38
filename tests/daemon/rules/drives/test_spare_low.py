"""Spare blocks that run out."""

import pytest

from boxes.simulated_past import PATHS, health_past, moving
from boxes.snapshot_box import RISER_1, Box, one_drive
from boxes.story_engine import DAY, Watcher
from laneproof.rules.drives.spare_low import SPARE_LOW
from support.rule_examples import check_examples, example


@pytest.mark.parametrize(
    ("first", "last", "days", "severity"),
    [
        (100, 100, 60, None),
        (100, 94, 120, None),  # the published case: 1,680 days are left
        (100, 80, 60, "notice"),  # 70 points at a third of a point a day: 210 days
        (100, 70, 5, "warning"),  # it runs: ten days are left
        (100, 70, 3, None),  # too few days
        (100, 92, 8, None),  # too few points
        (100, 60, 25, "notice"),  # a point and more a day: 31 days are left
        (15, 15, 0, "warning"),  # within five points of its threshold of ten
        (9, 9, 0, "warning"),
        (16, 16, 0, None),
    ],
)
def test_spare(first: int, last: int, days: int, severity: str | None) -> None:
    watcher = Watcher("spare-low")
    for day in range(days + 1):
        value = round(first + (last - first) * day / max(days, 1))
        watcher.observe(one_drive(health={"available_spare_percent": value}), after=DAY)
    assert watcher.severity == severity


def test_the_last_day_is_one_day() -> None:
    watcher = Watcher("spare-low")
    for day in range(45):
        watcher.observe(one_drive(health={"available_spare_percent": 100 - 2 * day}), after=DAY)
    assert watcher.standing[0].summary.endswith(
        "12 % spare, its own threshold is 10 %; at the pace seen, 1 day is left"
    )


def test_a_full_spare_is_never_low_whatever_its_threshold_says() -> None:
    health = {"available_spare_percent": 100, "available_spare_threshold_percent": 100}
    watcher = Watcher("spare-low").observe(Box().with_port(PATHS[0]).with_drive(PATHS[0], health=health))
    assert watcher.standing == []


def test_examples() -> None:
    check_examples(
        SPARE_LOW,
        RISER_1,
        example(health_past([{}] * 3)),
        example(health_past([{"available_spare_percent": 14}]), "warning nvme0 | Make sure that a"),
        example(
            health_past([{"available_spare_percent": 0, "available_spare_threshold_percent": 0}]),
            "notice nvme0 | No part is to be",
        ),
        example(
            health_past(moving(100, 80, 60, "available_spare_percent"), passes_a_day=1),
            "notice nvme0 | Make sure that a",
        ),
    )
