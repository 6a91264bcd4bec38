"""What heat does to a drive's pace."""

from boxes.simulated_past import health_past
from boxes.snapshot_box import RISER_1
from boxes.story_engine import Watcher, hours
from laneproof.rules.heat.throttled import THROTTLED
from support.rule_examples import check_examples, example


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
