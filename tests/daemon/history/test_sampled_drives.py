"""What is sampled of drives."""

from dataclasses import replace

from boxes.passes import Passes, samples_of
from boxes.snapshot_box import kelp_box, make_health
from laneproof.history.origins import Origin, map_devices
from laneproof_collectors.snapshot import BlockStatistics, NvmeNamespace, TemperatureReading
from laneproof_collectors.unread import Reason, Unread

HERE = Origin("0000:00/01.1", "FN0001", "drive")
GAP = Unread("log 02h of nvme0", "no answer in time", Reason.TIMED_OUT)


def _of(passes: Passes, origin: Origin = HERE) -> dict[str, float]:
    return {sample.measure.name: sample.value for sample in samples_of(passes.facts) if sample.origin == origin}


def _load(read_bytes: int) -> BlockStatistics:
    return BlockStatistics(
        reads=10, read_bytes=read_bytes, read_milliseconds=5, writes=2, written_bytes=8192, write_milliseconds=1,
        busy_milliseconds=6,
    )  # fmt: skip


def _space(number: int, statistics: BlockStatistics | Unread) -> NvmeNamespace:
    return NvmeNamespace(name=f"nvme0n{number}", number=number, size_bytes=4 * 10**12, statistics=statistics)


def test_the_health_log_is_sampled_field_by_field() -> None:
    passes = Passes().drive(0, health={"media_errors": 2, "percentage_used": 101, "sensor_celsius": {1: 40.0, 8: 61.0}})
    found = _of(passes)
    assert (found["media_errors"], found["percentage_used"], found["composite_temperature_celsius"]) == (2, 101, 38)
    assert (found["sensor_1_celsius"], found["sensor_8_celsius"]) == (40, 61)


def test_fields_that_the_source_does_not_give_are_not_0() -> None:
    health = make_health(source="smartctl", absent=("thermal_seconds_1", "endurance_group_warning"))
    found = _of(Passes().set(controllers=(replace(Passes().controllers()[0], health=health),)))
    assert "thermal_seconds_1" not in found
    assert found["thermal_seconds_2"] == 0


def test_a_log_that_fails_gives_only_what_the_sensors_give() -> None:
    reading = TemperatureReading(label="Composite", celsius=44.85)
    passes = Passes()
    passes.set(controllers=(replace(passes.controllers()[0], health=GAP, temperatures=(reading,)),))
    assert _of(passes) == {"composite_temperature_celsius": 44.9}


def test_load_is_summed_over_a_drives_disks_and_left_out_where_one_is_unread(passes: Passes) -> None:
    passes.drive(0, namespaces=(_space(1, _load(4096)), _space(2, _load(512))))
    assert (_of(passes)["read_bytes"], _of(passes)["writes"]) == (4608, 4)
    passes.drive(0, namespaces=(_space(1, _load(4096)), _space(2, GAP)))
    assert "read_bytes" not in _of(passes)


def test_a_drive_keeps_its_position_while_functions_cannot_be_read() -> None:
    # Without an earlier pass it stands under its name; the store hands earlier device map in.
    assert _of(Passes().unread("functions"), Origin("nvme0", "FN0001", "drive"))["media_errors"] == 0


def test_a_drive_that_gives_no_serial_number_for_once_keeps_the_one_it_gave(passes: Passes) -> None:
    where = map_devices(passes.facts)
    silent = passes.drive(0, serial=GAP).facts
    found = samples_of(silent, map_devices(silent, where))
    assert {sample.origin.drive for sample in found if sample.origin.end == "drive"} == {"FN0001", "FN0002"}


def test_a_sata_drive_gives_what_it_has() -> None:
    box = kelp_box(1).with_sata_drive(
        "0000:00/17.0/ata-3", serial="GS7", temperature_celsius=GAP, pending_sectors=8, uncorrectable_sectors=None
    )
    found = _of(Passes(box), Origin("0000:00/17.0/ata-3", "GS7", "drive"))
    assert found == {
        "power_on_hours": 9000, "healthy": 1, "reallocated_sectors": 0, "pending_sectors": 8, "interface_errors": 0,
    }  # fmt: skip
