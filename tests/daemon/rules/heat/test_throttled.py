"""What heat does to a drive's pace."""

from laneproof.rules.heat.throttled import THROTTLED
from rule_examples import check_examples, example
from simulated_past import health_past
from snapshot_box import RISER_1
from story_engine import Watcher, hours


def test_what_overheating_reports_is_not_reported_twice() -> None:
    watcher = hours(Watcher("throttled"), 24)
    hours(watcher, 1, thermal_transitions_1=2, warning_temperature_minutes=5)
    assert watcher.standing == []


def test_examples() -> None:
    check_examples(
        THROTTLED,
        RISER_1,
        example(health_past([{"thermal_transitions_1": 1}] * 3)),
        example(health_past([{}, {}, {"thermal_transitions_1": 2}]), "notice nvme0 | See whether it"),
    )
