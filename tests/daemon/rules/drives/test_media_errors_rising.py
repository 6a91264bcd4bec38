"""media-errors-rising: any new error at once, critical when they come faster and faster, quiet about old ones."""

from dataclasses import replace
from typing import Any

import pytest

from boxes.simulated_past import PATHS, health_past
from boxes.snapshot_box import RISER_1, Box, declare, declare_risers, one_drive
from boxes.story_engine import DAY, HOUR, Watcher
from laneproof.rules.drives.media_errors_rising import MEDIA_ERRORS_RISING
from support.rule_examples import check_examples, example

BUILD = declare(RISER_1)


def box(errors: int, **health: Any) -> Box:
    return one_drive(health={"media_errors": errors, **health})


def pass_days(watcher: Watcher, errors: list[int]) -> Watcher:
    for number in errors:
        watcher.observe(box(number), after=DAY)
    return watcher


def test_old_errors_say_nothing_and_a_new_one_is_reported_at_once() -> None:
    watcher = pass_days(Watcher("media-errors-rising", BUILD), [31] * 20)
    assert watcher.changes == []
    watcher.observe(box(32), after=HOUR)
    assert watcher.changes == [("raised", "warning", "new media errors")]
    assert "1 new media error" in watcher.standing[0].summary
    assert "32 in all" in watcher.standing[0].summary
    assert watcher.standing[0].causes[0].cause == "drive-failing"  # by itself, after a single one
    assert watcher.standing[0].next_steps[0].startswith("Copy what matters")


@pytest.mark.parametrize(
    ("at", "severity", "observed"),
    [
        # the published days of 270 (Laplace U = 2.772, growth exponent 3.5)
        ((100, 160, 200, 225, 240, 250, 256, 260), "critical", "new media errors, faster and faster"),
        ((30, 60, 95, 130, 160, 200, 235, 262), "warning", "new media errors"),  # published as "watch": U = .417
    ],
)
def test_errors_that_come_faster_and_faster_are_critical(at: tuple[int, ...], severity: str, observed: str) -> None:
    watcher = Watcher("media-errors-rising", BUILD)
    pass_days(watcher, [sum(day >= begins for begins in at) for day in range(271)])
    assert (watcher.severity, watcher.standing[0].observed) == (severity, observed)


def test_it_clears_ninety_days_after_the_last_one() -> None:
    watcher = pass_days(Watcher("media-errors-rising", BUILD), [0] * 5 + [1] * 85)
    assert watcher.standing
    pass_days(watcher, [1] * 10)
    assert watcher.standing == []


def test_the_log_is_believed_where_the_counter_stays_silent() -> None:
    watcher = pass_days(Watcher("media-errors-rising", BUILD), [0] * 5)
    line = "critical medium error, dev nvme0n1, sector 4096 op 0x0:(READ) flags 0x0 phys_seg 1 prio class 0"
    watcher.observe(box(0), after=HOUR, log=(line,))
    assert watcher.severity == "warning"
    assert "the kernel reported data that could not be read" in watcher.standing[0].summary


def test_it_stands_when_the_drive_dies_of_it() -> None:
    watcher = pass_days(Watcher("media-errors-rising", BUILD), [0, 0, 3, 6, 9])
    dead = box(9).with_group(controllers=())
    dead.edit(f"{PATHS[0]}/00.0", lambda function: replace(function, answers=False))
    watcher.observe(dead, after=HOUR)
    watcher.observe(dead, after=DAY)
    assert watcher.became.count("cleared") == 0
    assert watcher.standing


def test_it_follows_the_drive() -> None:
    watcher = pass_days(Watcher("media-errors-rising", declare(declare_risers(2))), [0, 0, 2])
    assert watcher.standing[0].position == "riser-1"
    moved = Box().with_port(PATHS[0]).with_port(PATHS[1]).with_drive(PATHS[1], serial="FN1", health={"media_errors": 2})
    watcher.restart().observe(moved, after=HOUR)
    assert watcher.standing[0].position == "riser-2"


def test_examples() -> None:
    check_examples(
        MEDIA_ERRORS_RISING,
        RISER_1,
        example(health_past([{"media_errors": 31}] * 10)),
        example(health_past([{"media_errors": 31}] * 7 + [{"media_errors": 33}]), "warning nvme0 | Copy what matters"),
        example(health_past([{"error_log_entries": 40 * day} for day in range(10)])),
    )
