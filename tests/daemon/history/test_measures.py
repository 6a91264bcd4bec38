"""The table of what is sampled."""

from pathlib import Path

import pytest

from laneproof.history import measures, retention
from laneproof.history.measures import Measure, Pace, device_error, error_bit, sensor
from laneproof_collectors.snapshot import BlockStatistics, HealthLog, SataDrive


def _all() -> list[Measure]:
    single = [measure for measure in vars(measures).values() if isinstance(measure, Measure)]
    return [*single, *measures.HEALTH_FIELDS, *measures.BLOCK_FIELDS, *measures.SATA_FIELDS]


def test_one_name_means_one_thing() -> None:
    by_name: dict[str, Measure] = {}
    for measure in _all():
        assert by_name.setdefault(measure.name, measure) == measure


def test_fields_are_named_as_the_facts_are() -> None:
    assert {measure.name for measure in measures.HEALTH_FIELDS} <= set(HealthLog.__dataclass_fields__)
    assert {measure.name for measure in measures.BLOCK_FIELDS} <= set(BlockStatistics.__dataclass_fields__)
    assert {measure.name for measure in measures.SATA_FIELDS} <= set(SataDrive.__dataclass_fields__)


def test_every_counter_of_the_health_log_is_sampled() -> None:
    told_apart = {"available_spare_threshold_percent", "composite_temperature_celsius", "sensor_celsius"}
    numbers = {name for name, field in HealthLog.__dataclass_fields__.items() if field.type in (int, "int")}
    assert numbers - told_apart == {measure.name for measure in measures.HEALTH_FIELDS}


def test_what_the_kernel_sets_begins_again_with_each_boot_and_what_a_drive_counts_goes_on() -> None:
    set_by_the_kernel = {measure.name for measure in _all() if measure.per_boot and not measure.is_counter}
    assert set_by_the_kernel == {
        "trained_gt_s", "trained_lanes", "target_gt_s", "aspm_enabled", "asleep", "answers", "speed_mbit_s",
        "aggregated_ports",
    }  # fmt: skip
    of_drives = {measure.name for measure in (*measures.HEALTH_FIELDS, *measures.SATA_FIELDS) if measure.is_counter}
    assert of_drives == {measure.name for measure in _all() if measure.is_counter and not measure.per_boot}
    states = {"critical_warning", "available_spare_percent", "percentage_used", "endurance_group_warning", "healthy",
              "temperature_celsius", "reallocated_sectors", "pending_sectors", "uncorrectable_sectors"}  # fmt: skip
    assert {measure.name for measure in (*measures.HEALTH_FIELDS, *measures.SATA_FIELDS)} == of_drives | states


def test_readings_are_kept_with_the_digits_that_they_are_worth() -> None:
    assert {measure.name: (measure.digits, measure.step) for measure in _all() if measure.digits or measure.step} == {
        "trained_gt_s": (1, None), "target_gt_s": (1, None), "watts": (1, None), "sync_completed": (3, None),
        "composite_temperature_celsius": (1, 3.0), "temperature_celsius": (1, 3.0), "celsius": (1, 3.0),
        "fan_rpm": (0, 300.0),
    }  # fmt: skip


def test_parts_of_a_measure_are_named_after_it() -> None:
    bit = error_bit(measures.CORRECTABLE, "BadTLP")
    assert (bit.name, bit.is_counter, bit.per_boot, bit.sparse) == ("correctable_errors.BadTLP", True, True, True)
    assert sensor(2).name == "sensor_2_celsius"
    assert not device_error("corruption").is_counter
    assert error_bit(measures.CORRECTABLE, "BadTLP") is bit


PAGE = Path(__file__).parents[3] / "docs" / "history.md"
_ROWS = {Pace.EACH: "each move", Pace.MINUTE: "a minute", Pace.STEADY: "five minutes", Pace.SLOW: "an hour"}


@pytest.mark.parametrize("measure", _all(), ids=lambda measure: measure.name)
def test_the_page_gives_each_measure_under_its_pace(measure: Measure) -> None:
    (row,) = [line for line in PAGE.read_text().splitlines() if line.startswith(f"| {_ROWS[measure.pace]} |")]
    assert f"`{measure.name}`" in row


def test_the_page_gives_how_long_things_are_kept() -> None:
    assert [float(pace) for pace in _ROWS] == [0.0, 60.0, 300.0, 3600.0]  # as its rows say
    page = PAGE.read_text()
    for what, kept in (
        ("as read, where they moved", f"{retention.KEEP_SAMPLES_SECONDS / retention.DAY:g} days"),
        ("by the hour: least, most, last, how many", f"{retention.KEEP_HOURS_SECONDS / retention.DAY:g} days"),
        ("by the day: the same", f"{retention.KEEP_DAYS_SECONDS / retention.DAY:g} days"),
        (
            "each; the same again within a minute is counted",
            f"the latest {retention.KEEP_EVENTS_OF_A_KIND} of each kind",
        ),
        ("raised, changed, cleared", f"the latest {retention.KEEP_CHANGES} changes; what stands stays"),
        ("one each time something changed", f"the latest {retention.KEEP_INVENTORIES}"),
        ("each", f"the latest {retention.KEEP_NOTES}"),
    ):
        assert f"| {what} | {kept} |" in page
