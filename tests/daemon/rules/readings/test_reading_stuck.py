"""reading-stuck: what does not answer in time, a notice at first and an alarm when it lasts."""

from laneproof.rules.readings.reading_stuck import READING_STUCK
from laneproof_collectors.unread import Reason, Unread
from rule_examples import check_examples, example
from simulated_past import PATHS, quiet_snapshot
from snapshot_box import RISER_1, Box, declare
from story_engine import Watcher

BUILD = declare(f'[[position]]\nlabel = "riser-1"\npath = "{PATHS[0]}"')
LATE = Unread("log 02h of nvme0", "no answer within 5 s", Reason.TIMED_OUT)


def box(health: Unread | None = None) -> Box:
    return Box().with_port(PATHS[0]).with_drive(PATHS[0], health=health)


def test_a_stuck_drive_is_a_notice_then_an_alarm_and_clears_with_its_first_answer() -> None:
    watcher = Watcher("reading-stuck", BUILD).observe(box(LATE))
    assert watcher.severity == "notice"
    assert watcher.standing[0].position == "riser-1"
    watcher.observe(box(LATE), after=300)
    assert watcher.severity == "notice"
    watcher.observe(box(LATE), after=400)
    assert watcher.severity == "warning"
    watcher.observe(box(), after=60)
    assert watcher.standing == []


def test_other_gaps_are_not_stuck() -> None:
    denied = Unread("log 02h of nvme0", "denied", Reason.DENIED)
    assert Watcher("reading-stuck", BUILD).observe(box(denied)).standing == []


def test_a_whole_group_that_stays_away_is_reported_by_its_name() -> None:
    late = Unread("arrays", "its collector has not answered for 40 s", Reason.TIMED_OUT)
    watcher = Watcher("reading-stuck").observe(box().with_group(arrays=late))
    assert "arrays did not answer in time" in watcher.standing[0].summary


def test_examples() -> None:
    check_examples(
        READING_STUCK,
        RISER_1,
        example(quiet_snapshot()),
        example(box(LATE), "notice nvme0 | Make sure that a"),
    )
