"""One rule for all that has a thermometer."""

from boxes.simulated_past import health_past
from boxes.snapshot_box import RISER_1, Box
from laneproof.rules.heat.overheating import OVERHEATING
from laneproof_collectors.snapshot import Snapshot, TemperatureReading, Thermal
from support.rule_examples import check_examples, example


def board(celsius: float) -> Snapshot:
    reading = TemperatureReading(label="VRM", celsius=celsius, maximum_celsius=None, critical_celsius=95.0)
    return Box().with_group(thermal=Thermal(temperatures=(("board", reading),))).snapshot()


def test_examples() -> None:
    check_examples(
        OVERHEATING,
        RISER_1,
        example(health_past([{}] * 8)),
        example(
            health_past([{"warning_temperature_minutes": 20 * day} for day in range(8)]),
            "warning nvme0 | See that fans turn,",
        ),
        example(health_past([{"composite_temperature_celsius": 78.0}] * 8), "notice nvme0 | See that fans turn,"),
        example(board(60.0), build=None),
        example(board(96.0), "critical board VRM | See that every fan", build=None),
    )
