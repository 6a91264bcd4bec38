"""reading-stuck: what does not answer in time, a notice at first and an alarm when it lasts."""

from typing import Any

import pytest

from boxes.simulated_past import busy_box, quiet_snapshot, still_past
from boxes.snapshot_box import A_MORNING, RISER_1, declare, one_drive
from boxes.story_engine import DAY, Watcher
from laneproof.past.drives import HOST_COUNTS
from laneproof.rules.readings.reading_stuck import READING_STUCK
from laneproof_collectors.unread import Reason, Unread
from support.rule_examples import check_examples, example

BUILD = declare(RISER_1)
LATE = Unread("log 02h of nvme0", "no answer within 5 s", Reason.TIMED_OUT)


def test_a_stuck_drive_is_a_notice_then_an_alarm_and_clears_with_its_first_answer() -> None:
    watcher = Watcher("reading-stuck", BUILD).observe(one_drive(health=LATE))
    assert watcher.severity == "notice"
    assert watcher.standing[0].position == "riser-1"
    watcher.observe(one_drive(health=LATE), after=300)
    assert watcher.severity == "notice"
    watcher.observe(one_drive(health=LATE), after=400)
    assert watcher.severity == "warning"
    watcher.observe(one_drive(), after=60)
    assert watcher.standing == []


def test_other_gaps_are_not_stuck() -> None:
    denied = Unread("log 02h of nvme0", "denied", Reason.DENIED)
    assert Watcher("reading-stuck", BUILD).observe(one_drive(health=denied)).standing == []


def test_a_whole_group_that_stays_away_is_reported_by_its_name() -> None:
    late = Unread("arrays", "its collector has not answered for 40 s", Reason.TIMED_OUT)
    watcher = Watcher("reading-stuck").observe(one_drive().with_group(arrays=late))
    assert "arrays did not answer in time" in watcher.standing[0].summary


@pytest.mark.parametrize(
    ("days", "reads", "counted", "is_said"),
    [
        pytest.param(4, 76_300, {}, True, id="10 GB a day and no count"),
        pytest.param(4, 76_300, {"power_on_hours": 1}, True, id="its hours move on"),
        pytest.param(2, 76_300, {}, False, id="for two days"),
        pytest.param(4, 7_630, {}, False, id="1 GB a day"),
        pytest.param(4, 76_300, {"host_read_commands": 1}, False, id="it counts, be it ever so little"),
        pytest.param(4, 76_300, {"data_units_written": 1}, False, id="it counts something"),
    ],
)
def test_a_health_log_that_stands_still_while_the_drive_works_is_a_notice(
    *, days: int, reads: int, counted: dict[str, int], is_said: bool
) -> None:
    """NVM Express Base Specification 2.0, 5.16.1.3: each command counts, and each 1,000 units of 512 bytes."""
    watcher = Watcher("reading-stuck", BUILD)
    for day in range(days + 1):
        health = {name: 5_000 + by * day for name, by in counted.items()}
        watcher.observe(busy_box(reads * day, [0.0], health), after=DAY)
    assert [finding.severity for finding in watcher.standing] == ["notice"] * is_said
    assert [finding.evidence["unchanged_since_at"] for finding in watcher.standing] == [A_MORNING + DAY] * is_said
    watcher.observe(busy_box(reads * days, [0.0], {"data_units_read": 9_000}), after=60)
    assert watcher.standing == []


def test_days_without_movement_end_with_the_last_reading() -> None:
    watcher = Watcher("reading-stuck", BUILD)
    for day in range(5):
        watcher.observe(busy_box(76_300 * day, [0.0]), after=DAY)
    denied = Unread("log 02h of nvme0", "denied", Reason.DENIED)
    watcher.observe(busy_box(76_300 * 9, [0.0], denied), after=5 * DAY)
    assert "had not moved for 4 days when last read, while the kernel counted 40 GB" in watcher.standing[0].summary
    watcher.observe(busy_box(76_300 * 10, [0.0]), after=DAY)
    assert "have not moved for 10 days" in watcher.standing[0].summary


@pytest.mark.parametrize(
    ("health", "moved"),
    [
        pytest.param(dict.fromkeys(HOST_COUNTS, 0), 76_300, id="a log that never counted anything"),
        pytest.param({"absent": frozenset({"host_read_commands"})}, 76_300, id="a log that lacks a count"),
        pytest.param({}, 0, id="a drive that rests after one busy day"),
    ],
)
def test_a_log_that_shows_no_work_or_a_drive_that_does_none_is_not_stuck(health: dict[str, Any], moved: int) -> None:
    watcher = Watcher("reading-stuck", BUILD).observe(busy_box(0, [0.0], health))
    for day in range(6):
        watcher.observe(busy_box(900_000 + moved * day, [0.0], {"data_units_read": 9_000} | health), after=DAY)
    assert watcher.standing == []


def test_examples() -> None:
    check_examples(
        READING_STUCK,
        RISER_1,
        example(quiet_snapshot()),
        example(one_drive(health=LATE), "notice nvme0 | Make sure that a"),
        example(still_past(), "notice nvme0 | Make sure that a"),
    )
