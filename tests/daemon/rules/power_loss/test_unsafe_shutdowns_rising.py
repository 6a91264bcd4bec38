"""unsafe-shutdowns-rising: power lost at the drive while the machine runs on, and not a power cut."""

from boxes.losing_box import DOWN
from boxes.simulated_past import health_past
from boxes.snapshot_box import RISER_1, Box, one_drive
from boxes.story_engine import DAY, HOUR, Watcher
from laneproof.rules.power_loss.unsafe_shutdowns_rising import UNSAFE_SHUTDOWNS_RISING
from support.rule_examples import check_examples, example


def box(number: int) -> Box:
    return one_drive(health={"unsafe_shutdowns": number})


def test_after_a_power_cut_the_count_says_nothing() -> None:
    watcher = Watcher("unsafe-shutdowns-rising").observe(box(3)).observe(box(3), after=DAY)
    watcher.restart().observe(box(4), after=60).observe(box(4), after=DAY)
    assert watcher.changes == []


def test_once_while_running_is_a_notice_and_again_an_alarm() -> None:
    watcher = Watcher("unsafe-shutdowns-rising").observe(box(3)).observe(box(4), after=HOUR)
    assert watcher.changes == [("raised", "notice", "lost power while the machine ran on")]
    watcher.observe(box(5), after=2 * DAY)
    assert watcher.changes[1:] == [("changed", "warning", "loses power while the machine runs on")]
    watcher.observe(box(5), after=29 * DAY)
    assert watcher.standing
    watcher.observe(box(5), after=2 * DAY)
    assert watcher.standing == []


def test_a_drive_that_dropped_at_that_moment_is_reported_with_its_drops() -> None:
    watcher = Watcher("unsafe-shutdowns-rising").observe(box(3)).observe(box(4), after=HOUR, log=(DOWN,))
    assert watcher.changes == []
    drops = Watcher("drops-off-bus").observe(box(3)).observe(box(4), after=HOUR, log=(DOWN,)).observe(box(4), after=60)
    assert drops.standing[0].evidence["last_episodes"][0]["lost_power"] is True


def test_a_platform_that_cuts_the_drives_power_in_suspend_loses_none_while_it_runs() -> None:
    watcher = Watcher("unsafe-shutdowns-rising").observe(box(3))
    for number in range(4, 30):
        watcher.observe(box(number - 1), after=12 * HOUR).sleep(8 * HOUR).observe(box(number), after=60)
    assert watcher.changes == []
    assert watcher.observe(box(30), after=HOUR).standing  # and awake it still says so


def test_examples() -> None:
    check_examples(
        UNSAFE_SHUTDOWNS_RISING,
        RISER_1,
        example(health_past([{"unsafe_shutdowns": 87}] * 3)),
        example(
            health_past([{"unsafe_shutdowns": 87}] * 3 + [{"unsafe_shutdowns": 88}]), "notice nvme0 | Compare with the"
        ),
    )
