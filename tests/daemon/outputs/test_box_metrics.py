"""Arrays, network, memory, heat, file systems and SATA drives as samples."""

from dataclasses import replace
from typing import Any

import pytest

from boxes.snapshot_box import Box, make_array, make_bond, make_interface, make_memory, make_sata_drive, without_groups
from laneproof.outputs.box_metrics import list_box_rows
from laneproof.outputs.metric_table import BY_NAME, keep_figures
from laneproof_collectors.snapshot import (
    EdacController,
    Fan,
    MountedFileSystem,
    PowerMeter,
    Snapshot,
    TemperatureReading,
    Thermal,
)
from laneproof_collectors.unread import Unread
from support.unread_answers import known

GAP = Unread("it", "permission denied")
MOUNTED: dict[str, Any] = {"mount": "/srv/archive", "device": "/dev/md0", "kind": "xfs", "declared_read_only": False}


def samples_of(snapshot: Snapshot) -> dict[tuple[str, tuple[str, ...]], float]:
    taken = list(keep_figures(list_box_rows(snapshot, lambda path: f"at {path}")))
    assert len({sample[:2] for sample in taken}) == len(taken)
    assert all(len(BY_NAME[name].labels) == len(labels) for name, labels, _ in taken)
    return {(name, labels): value for name, labels, value in taken}


def whole_box() -> Snapshot:
    array = make_array(
        "md0", ("nvme0n1",), sync_action="check", sync_completed=0.5, sync_bytes_per_second=2e8, mismatch_sectors=0
    )
    pool = make_array("reef", (), kind="btrfs", error_statistics={"devid 2": {"read_errs": 7}})
    reading = TemperatureReading(label="VRM", celsius=51.5, critical_celsius=95.0)
    thermal = Thermal(
        temperatures=(("board", reading),),
        fans=(Fan(chip="board", label="fan1", rpm=900, minimum_rpm=None, alarm=None),),
        power=(PowerMeter(name="package-0", watts=None, energy_joules=1234.5), PowerMeter(name="input", watts=61.0)),
        throttle_counts={"package-0": 3},
    )
    archive = MountedFileSystem(
        size_bytes=100, available_bytes=20, free_bytes=25, read_only=False, **MOUNTED
    )  # 75 used, 20 left
    return (
        Box()
        .with_group(
            arrays=(array, pool),
            bonds=(make_bond("bond0", ("wan0", "wan1")),),
            memory=replace(make_memory(), edac=(EdacController(name="mc0", correctable=4, uncorrectable=0),)),
            thermal=thermal,
            file_systems=(archive,),
            drives=(make_sata_drive("sda", "0000:00/17.0/ata-1", recommended_celsius=60.0),),
            interfaces=(make_interface("wan0", receive_errors=5),),
        )
        .snapshot()
    )


@pytest.mark.parametrize(
    ("name", "labels", "value"),
    [
        ("array_members", ("md0",), 1),
        ("array_size_bytes", ("md0",), 8e12),
        ("array_sync_completed_ratio", ("md0", "check"), 0.5),
        ("array_sync_bytes_per_second", ("md0", "check"), 2e8),
        ("array_mismatch_sectors", ("md0",), 0),
        ("array_device_errors", ("reef", "devid 2", "read"), 7),
        ("bond_ports", ("bond0",), 2),
        ("bond_members", ("bond0",), 2),
        ("bond_link_failures", ("bond0", "wan1"), 0),
        ("network_rx_errors", ("wan0",), 5),
        ("network_speed_bits_per_second", ("wan0",), 1e10),
        ("memory_module_rated_transfers_per_second", ("DIMM 1",), 5.6e9),
        ("memory_module_configured_transfers_per_second", ("DIMM 2",), 5.6e9),
        ("memory_corrected_errors", ("mc0",), 4),
        ("board_temperature_celsius", ("board", "VRM"), 51.5),
        ("board_critical_temperature_celsius", ("board", "VRM"), 95.0),
        ("fan_revolutions_per_minute", ("board", "fan1"), 900),
        ("energy_joules", ("package-0",), 1234.5),
        ("power_watts", ("input",), 61.0),
        ("processor_thermal_throttles", ("package-0",), 3),
        ("file_system_available_bytes", ("/srv/archive",), 20),
        ("file_system_used_ratio", ("/srv/archive",), 75 / 95),
        ("file_system_read_only", ("/srv/archive",), 0.0),
        ("drive", ("at 0000:00/17.0/ata-1", "GSsda", "sda", "Gannet S8", "7"), 1),
        ("drive_health_passed", ("at 0000:00/17.0/ata-1", "GSsda"), 1.0),
        ("drive_recommended_temperature_celsius", ("at 0000:00/17.0/ata-1", "GSsda"), 60.0),
        ("drive_power_on_seconds", ("at 0000:00/17.0/ata-1", "GSsda"), 9000 * 3600),
        ("drive_uncorrectable_sectors", ("at 0000:00/17.0/ata-1", "GSsda"), 0),
    ],
)
def test_figure_is_reported_in_its_base_unit(name: str, labels: tuple[str, ...], value: float) -> None:
    assert samples_of(whole_box())[name, labels] == pytest.approx(value)


def test_what_is_not_there_or_could_not_be_read_is_absent() -> None:
    found = samples_of(whole_box())
    assert ("power_watts", ("package-0",)) not in found
    assert ("drive_highest_temperature_celsius", ("at 0000:00/17.0/ata-1", "GSsda")) not in found
    unread = samples_of(replace(whole_box(), arrays=(make_array("md0", (), mismatch_sectors=GAP, degraded=None),)))
    assert not {"array_mismatch_sectors", "array_degraded_members"} & {name for name, _ in unread}


@pytest.mark.parametrize(
    ("group", "beginnings"),
    [
        ("arrays", ("array_",)),
        ("bonds", ("bond_",)),
        ("memory", ("memory_",)),
        ("thermal", ("board_", "fan_", "power_", "energy_", "processor_")),
        ("file_systems", ("file_system_",)),
        ("drives", ("drive_",)),
        ("interfaces", ("network_",)),
    ],
)
def test_group_that_could_not_be_read_has_no_samples(group: str, beginnings: tuple[str, ...]) -> None:
    def count(snapshot: Snapshot) -> int:
        return sum(name.startswith(beginnings) for name, _ in samples_of(snapshot))

    assert count(whole_box()) >= len(beginnings)
    assert count(without_groups(whole_box(), (group,), GAP)) == 0


TWIN = TemperatureReading(label="temp1", celsius=40.0)
HEAT = Thermal(
    temperatures=(("jc42", TWIN), ("jc42", replace(TWIN, celsius=44.0)), ("k10temp", TWIN)),
    fans=(Fan(chip="nct", label="fan1", rpm=900, minimum_rpm=None, alarm=None),) * 2,
)
BAY = "0000:00/14.0/usb-1"


@pytest.mark.parametrize(
    ("group", "facts", "metric", "labels"),
    [
        (
            "memory", replace(make_memory(), modules=(replace(known(make_memory().modules)[0], locator="DIMM"),) * 2),
            "memory_module_rated_transfers_per_second", {("DIMM",), ("DIMM-2",)},
        ),
        (
            "drives", tuple(make_sata_drive(name, BAY, serial="BRIDGE") for name in ("sda", "sdb")),
            "drive_power_on_seconds", {(f"at {BAY}", "BRIDGE"), (f"at {BAY}-2", "BRIDGE")},
        ),
        ("thermal", HEAT, "board_temperature_celsius", {("jc42", "temp1"), ("jc42-2", "temp1"), ("k10temp", "temp1")}),
        ("thermal", HEAT, "fan_revolutions_per_minute", {("nct", "fan1"), ("nct-2", "fan1")}),
    ],
)  # fmt: skip
def test_what_has_one_name_is_told_apart(group: str, facts: object, metric: str, labels: set[tuple[str, ...]]) -> None:
    found = samples_of(Box().with_group(**{group: facts}).snapshot())
    assert {have for name, have in found if name == metric} == labels
