"""drive-fail-slow: compared with company under the same load, raised when chance does not explain it."""

import pytest

from boxes.simulated_past import busy_box, slow_past
from boxes.snapshot_box import RISER_1
from boxes.story_engine import DAY, HOUR, Watcher
from laneproof.rules.drives.drive_fail_slow import DRIVE_FAIL_SLOW
from laneproof_collectors.snapshot import AutonomousTransitions
from support.rule_examples import check_examples, example


class Busy:
    """Four drives under the same load; the first takes so many times as long as the others."""

    def __init__(self, *transitions: AutonomousTransitions) -> None:
        self.transitions = transitions
        self.watcher = Watcher("drive-fail-slow")
        self.operations = 0
        self.took = [0.0] * 4

    def hour(self, ratio: float = 1.0, *, drives: int = 4) -> None:
        for _ in range(4):
            self.operations += 9000
            self.took = [took + 1800 * (ratio if index == 0 else 1.0) for index, took in enumerate(self.took)]
            self.watcher.observe(
                busy_box(self.operations, self.took[:drives], transitions=self.transitions), after=HOUR / 4
            )


def test_one_slow_hour_in_weeks_is_chance() -> None:
    busy = Busy()
    for hour in range(24 * 8):
        busy.hour(3.0 if hour == 100 else 1.0)
    assert busy.watcher.changes == []


def test_a_drive_that_is_slow_on_several_days_is_an_alarm() -> None:
    busy = Busy()
    for hour in range(24 * 4):
        busy.hour(3.0 if hour % 8 < 2 else 1.0)
    assert busy.watcher.severity == "warning"
    (finding,) = busy.watcher.standing
    assert finding.subject == "nvme0"
    assert finding.evidence["worst_ratio"] > 2.5
    assert finding.evidence["p"] < 1e-5
    assert busy.watcher.changes[0][1] == "notice"


RESTING = AutonomousTransitions(enabled=True, transitions={0: (3, 100)})
AWAKE = AutonomousTransitions(enabled=False, transitions={})


# ten operations a second, of less than a millisecond each
@pytest.mark.parametrize(("siblings", "severities"), [([AWAKE] * 3, []), ([RESTING] * 3, ["notice", "warning"])])
def test_a_drive_that_may_do_nothing_but_wake_is_slow_only_where_its_siblings_wake_too(
    siblings: list[AutonomousTransitions], severities: list[str]
) -> None:
    busy = Busy(RESTING, *siblings)
    for _ in range(48):
        busy.hour(3.0)
    assert [severity for _, severity, _ in busy.watcher.changes] == severities


def test_it_clears_when_it_keeps_pace_for_two_weeks() -> None:
    busy = Busy()
    for hour in range(48):
        busy.hour(3.0 if hour % 8 < 2 else 1.0)
    assert busy.watcher.standing
    for _ in range(24 * 15):
        busy.hour()
    assert busy.watcher.standing == []


def test_too_few_siblings_say_nothing() -> None:
    busy = Busy()
    for _ in range(48):
        busy.hour(5.0, drives=3)
    assert busy.watcher.changes == []
    assert busy.watcher.now > DAY


def test_examples() -> None:
    check_examples(
        DRIVE_FAIL_SLOW,
        RISER_1,
        example(slow_past(ratio=1.0)),
        example(slow_past(ratio=3.0), "warning nvme0 | See whether it is"),
    )
