"""One rule for all that has a thermometer."""

from laneproof_collectors.snapshot import TemperatureReading
from simulated_box import Box
from story_engine import DAY, Told


def test_board_and_processor_are_told_under_the_same_name() -> None:
    told = Told("overheating")
    hot = TemperatureReading(label="CPU", celsius=101.0, maximum_celsius=90.0, critical_celsius=100.0)
    from laneproof_collectors.snapshot import Thermal  # noqa: PLC0415

    told.look(Box().with_group(thermal=Thermal(temperatures=(("board", hot),))), after=DAY)
    assert told.severity == "critical"
