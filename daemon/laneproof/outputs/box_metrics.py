"""The metrics of the box beside links and NVMe drives: each group only where it was read, each figure where stated."""

from collections import Counter
from collections.abc import Callable, Iterable, Iterator
from typing import TypeVar

from laneproof.outputs.metric_table import Row, write_label
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

NamePath = Callable[[str], str]
"""Path -> the declared position's label, or the path."""

_Thing = TypeVar("_Thing")
_HOUR, _MEGA, _PER_SECOND = 3600, 1e6, 1e6


def list_box_rows(snapshot: Snapshot, name_path: NamePath) -> Iterator[Row]:
    """Give what is known of arrays, network, memory, heat, file systems and other drives."""
    # Two drives in one enclosure may share its path and the serial number of its bridge.
    for names, drive in _tell_apart(
        if_read(snapshot.drives), lambda drive: (name_path(drive.path or drive.name), write_label(drive.serial))
    ):
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
    yield "drive", (*labels, drive.name, write_label(drive.model), write_label(drive.firmware)), 1
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
    action = write_label(array.sync_action)
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
    for (name, _), module in _tell_apart(if_read(memory.modules), lambda module: (module.locator, "")):
        for state, rate in (("rated", module.rated_mt_s), ("configured", module.configured_mt_s)):
            value = None if rate is None else rate * _PER_SECOND
            yield f"memory_module_{state}_transfers_per_second", (name,), value
    for edac in memory.edac:
        yield "memory_corrected_errors", (edac.name,), edac.correctable
        yield "memory_uncorrected_errors", (edac.name,), edac.uncorrectable


def _heat(thermal: Thermal) -> Iterator[Row]:
    for labels, (_, reading) in _tell_apart(thermal.temperatures, lambda sensor: (sensor[0], sensor[1].label)):
        yield "board_temperature_celsius", labels, reading.celsius
        yield "board_critical_temperature_celsius", labels, reading.critical_celsius
    for labels, fan in _tell_apart(thermal.fans, lambda fan: (fan.chip, fan.label)):
        yield "fan_revolutions_per_minute", labels, fan.rpm
    for (name, _), meter in _tell_apart(thermal.power, lambda meter: (meter.name, "")):
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


def _tell_apart(
    things: Iterable[_Thing], name: Callable[[_Thing], tuple[str, str]]
) -> Iterator[tuple[tuple[str, str], _Thing]]:
    """Number things of one name, since a scrape with one series twice is refused as a whole."""
    seen: Counter[tuple[str, str]] = Counter()
    for thing in things:
        first, second = name(thing)
        seen[first, second] += 1
        count = seen[first, second]
        yield (first if count == 1 else f"{first}-{count}", second), thing
