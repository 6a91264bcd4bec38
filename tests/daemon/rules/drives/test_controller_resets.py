"""Controllers that had to be reset."""

from boxes.losing_box import DOWN, RESET, days
from boxes.simulated_past import dropping_past, quiet_snapshot
from boxes.snapshot_box import RISER_1, declare
from boxes.story_engine import Watcher
from laneproof.rules.drives.controller_resets import CONTROLLER_RESETS
from support.rule_examples import check_examples, example

BUILD = declare(RISER_1)


def test_resets_alone_are_reported_as_resets() -> None:
    watcher = days(Watcher("controller-resets", BUILD), 10, drops=(5,), line=RESET)
    assert watcher.changes == [("raised", "warning", "its controller was reset")]


def test_resets_of_a_drive_that_drops_are_reported_with_its_drops() -> None:
    resets = Watcher("controller-resets", BUILD)
    drops = Watcher("drops-off-bus", BUILD)
    for watcher in (resets, drops):
        days(watcher, 10, drops=(5,), line=RESET)
        days(watcher, 3, drops=(1,), line=DOWN)
    assert resets.standing == []
    assert "its controller was reset 1 time besides" not in drops.standing[0].summary  # it came before the drop
    days(drops, 2, drops=(1,), line=RESET)
    assert "its controller was reset 1 time besides" in drops.standing[0].summary


def test_commands_that_are_only_taken_back_are_a_notice_until_the_third_time() -> None:
    line = "nvme nvme0: I/O 7 QID 3 timeout, aborting"
    watcher = days(Watcher("controller-resets", BUILD), 10, drops=(5,), line=line)
    assert watcher.changes == [("raised", "notice", "its commands timed out")]
    days(watcher, 10, drops=(2, 5), line=line)
    assert watcher.severity == "warning"
    assert "let commands time out 3 times" in watcher.standing[0].summary


def test_examples() -> None:
    check_examples(
        CONTROLLER_RESETS,
        RISER_1,
        example(quiet_snapshot()),
        example(
            dropping_past(days=(25,), line="I/O 7 QID 3 timeout, reset controller"), "warning nvme0 | Make sure that a"
        ),
        example(dropping_past(days=(25,), line="I/O 7 QID 3 timeout, completion polled")),
    )
