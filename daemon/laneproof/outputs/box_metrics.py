"""The metrics of the box beside links and NVMe drives: each group only where it was read, each figure where stated."""

from collections import Counter
from collections.abc import Callable, Iterable, Iterator

from laneproof.outputs.metric_table import Sample
from laneproof_collectors.snapshot import (
    Array,
    Bond,
    Interface,
    Memory,
    MountedFileSystem,
    SataDrive,
    Snapshot,
    Thermal,
)
from laneproof_collectors.unread import Unread, if_read

Row = tuple[str, tuple[str, ...], object]
"""Metric's name, label values in the table's order, the fact: a number, or whatever there is in its place."""
NamePath = Callable[[str], str]
"""Path -> the declared position's label, or the path."""

_HOUR, _MEGA, _PER_SECOND = 3600, 1e6, 1e6


def list_box_samples(snapshot: Snapshot, name_path: NamePath) -> Iterator[Sample]:
    """Give the samples of arrays, network, memory, heat, file systems and other drives."""
    for name, values, value in _rows(snapshot, name_path):
        if isinstance(value, int | float):
            yield name, values, float(value) if isinstance(value, bool) else value


def _rows(snapshot: Snapshot, name_path: NamePath) -> Iterator[Row]:
    drives = if_read(snapshot.drives)
    # Two drives in one enclosure may share its path and the serial number of its bridge.
    labels = _tell_apart((name_path(drive.path or drive.name), _text(drive.serial)) for drive in drives)
    for drive, names in zip(drives, labels, strict=True):
        yield from _drive(drive, names)
    for array in if_read(snapshot.arrays):
        yield from _array(array)
    for interface in if_read(snapshot.interfaces):
        yield from _interface(interface)
    for bond in if_read(snapshot.bonds):
        yield from _bond(bond)
    if not isinstance(snapshot.memory, Unread):
        yield from _memory(snapshot.memory)
    if not isinstance(snapshot.thermal, Unread):
        yield from _heat(snapshot.thermal)
    for file_system in if_read(snapshot.file_systems):
        yield from _file_system(file_system)


def _drive(drive: SataDrive, labels: tuple[str, str]) -> Iterator[Row]:
    yield "drive", (*labels, drive.name, _text(drive.model), _text(drive.firmware)), 1
    yield "drive_health_passed", labels, drive.healthy
    yield "drive_temperature_celsius", labels, drive.temperature_celsius
    yield "drive_recommended_temperature_celsius", labels, drive.recommended_celsius
    yield "drive_highest_temperature_celsius", labels, drive.most_celsius
    hours = drive.power_on_hours
    yield "drive_power_on_seconds", labels, hours * _HOUR if isinstance(hours, int) else hours
    yield "drive_reallocated_sectors", labels, drive.reallocated_sectors
    yield "drive_pending_sectors", labels, drive.pending_sectors
    yield "drive_uncorrectable_sectors", labels, drive.uncorrectable_sectors
    yield "drive_interface_errors", labels, drive.interface_errors


def _array(array: Array) -> Iterator[Row]:
    labels = (array.name,)
    yield "array_size_bytes", labels, array.size_bytes
    yield "array_members", labels, array.members_wanted
    yield "array_degraded_members", labels, array.degraded
    action = array.sync_action if isinstance(array.sync_action, str) else ""
    yield "array_sync_completed_ratio", (array.name, action), array.sync_completed
    yield "array_sync_bytes_per_second", (array.name, action), array.sync_bytes_per_second
    yield "array_mismatch_sectors", labels, array.mismatch_sectors
    for member in array.members:
        yield "array_bad_block_sectors", (array.name, member.name), member.bad_block_sectors
    for device, counts in array.error_statistics.items():
        for name, count in () if isinstance(counts, Unread) else counts.items():
            yield "array_device_errors", (array.name, device, name.removesuffix("_errs")), count


def _interface(interface: Interface) -> Iterator[Row]:
    speed, labels = interface.speed_mbit_s, (interface.name,)
    yield "network_speed_bits_per_second", labels, speed * _MEGA if isinstance(speed, int) else speed
    yield "network_carrier_changes", labels, interface.carrier_changes
    yield "network_rx_errors", labels, interface.receive_errors
    yield "network_tx_errors", labels, interface.transmit_errors


def _bond(bond: Bond) -> Iterator[Row]:
    yield "bond_ports", (bond.name,), bond.aggregated_ports
    yield "bond_members", (bond.name,), len(bond.members)
    for member in bond.members:
        yield "bond_link_failures", (bond.name, member.name), member.link_failures


def _memory(memory: Memory) -> Iterator[Row]:
    yield "memory_bytes", (), memory.total_bytes
    modules = if_read(memory.modules)
    names = _tell_apart((module.locator, "") for module in modules)
    for (name, _), module in zip(names, modules, strict=True):
        for state, rate in (("rated", module.rated_mt_s), ("configured", module.configured_mt_s)):
            value = None if rate is None else rate * _PER_SECOND
            yield f"memory_module_{state}_transfers_per_second", (name,), value
    for edac in memory.edac:
        yield "memory_corrected_errors", (edac.name,), edac.correctable
        yield "memory_uncorrected_errors", (edac.name,), edac.uncorrectable


def _heat(thermal: Thermal) -> Iterator[Row]:
    sensors = _tell_apart((chip, reading.label) for chip, reading in thermal.temperatures)
    for labels, (_, reading) in zip(sensors, thermal.temperatures, strict=True):
        yield "board_temperature_celsius", labels, reading.celsius
        yield "board_critical_temperature_celsius", labels, reading.critical_celsius
    fans = _tell_apart((fan.chip, fan.label) for fan in thermal.fans)
    for labels, fan in zip(fans, thermal.fans, strict=True):
        yield "fan_revolutions_per_minute", labels, fan.rpm
    meters = _tell_apart((meter.name, "") for meter in thermal.power)
    for (name, _), meter in zip(meters, thermal.power, strict=True):
        yield "power_watts", (name,), meter.watts
        yield "energy_joules", (name,), meter.energy_joules
    for package, count in thermal.throttle_counts.items():
        yield "processor_thermal_throttles", (package,), count


def _file_system(file_system: MountedFileSystem) -> Iterator[Row]:
    labels = (file_system.mount,)
    yield "file_system_size_bytes", labels, file_system.size_bytes
    yield "file_system_available_bytes", labels, file_system.available_bytes
    yield "file_system_used_ratio", labels, file_system.used_share
    yield "file_system_read_only", labels, file_system.read_only


def _text(value: object) -> str:
    return value if isinstance(value, str) else ""


def _tell_apart(names: Iterable[tuple[str, str]]) -> Iterator[tuple[str, str]]:
    """Number chips of one name, since a scrape with one series twice is refused as a whole."""
    seen: Counter[tuple[str, str]] = Counter()
    for chip, label in names:
        seen[chip, label] += 1
        count = seen[chip, label]
        yield (chip, label) if count == 1 else (f"{chip}-{count}", label)
