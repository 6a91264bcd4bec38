"""Samples of the rest of the box: arrays, network, memory, heat, file systems."""

from collections import Counter
from collections.abc import Iterator

from laneproof.history import measures
from laneproof.history.measures import device_error
from laneproof.history.origins import DeviceMap, Origin
from laneproof.history.sample import Sample, sample
from laneproof_collectors.snapshot import Array, Bond, Interface, Memory, MountedFileSystem, Thermal
from laneproof_collectors.unread import Unread


def sample_arrays(arrays: tuple[Array, ...], _where: DeviceMap) -> Iterator[Sample]:
    """Sample arrays and their members, by their names."""
    for array in arrays:
        origin = Origin(array.name)
        yield from sample(origin, measures.ARRAY_DEGRADED, array.degraded)
        yield from sample(origin, measures.ARRAY_MISMATCHES, array.mismatch_sectors)
        yield from sample(origin, measures.ARRAY_SYNC_SHARE, array.sync_completed)
        yield from sample(origin, measures.ARRAY_SYNC_SPEED, array.sync_bytes_per_second)
        for member in array.members:
            part = Origin(array.name, "", member.name)
            yield from sample(part, measures.MEMBER_ERRORS, member.errors)
            yield from sample(part, measures.MEMBER_BAD_BLOCKS, member.bad_block_sectors)
        for device, counts in array.error_statistics.items():
            for name, count in () if isinstance(counts, Unread) else counts.items():
                yield from sample(Origin(array.name, "", device), device_error(name), count)


def sample_interfaces(interfaces: tuple[Interface, ...], where: DeviceMap) -> Iterator[Sample]:
    """Sample network interfaces: by position where a card is in one, each port by its name."""
    for interface in interfaces:
        origin = Origin(where.positions.get(interface.address or "", interface.name), "", interface.name)
        yield from sample(origin, measures.SPEED_MBIT_S, interface.speed_mbit_s)
        yield from sample(origin, measures.CARRIER_CHANGES, interface.carrier_changes)
        yield from sample(origin, measures.RECEIVE_ERRORS, interface.receive_errors)
        yield from sample(origin, measures.TRANSMIT_ERRORS, interface.transmit_errors)


def sample_bonds(bonds: tuple[Bond, ...], _where: DeviceMap) -> Iterator[Sample]:
    """Sample bonds and their members, by their names."""
    for bond in bonds:
        yield from sample(Origin(bond.name), measures.AGGREGATED_PORTS, bond.aggregated_ports)
        for member in bond.members:
            yield from sample(Origin(bond.name, "", member.name), measures.LINK_FAILURES, member.link_failures)


def sample_memory(memory: Memory, _where: DeviceMap) -> Iterator[Sample]:
    """Sample the memory controllers' error counts."""
    for controller in memory.edac:
        origin = Origin("memory", "", controller.name)
        yield from sample(origin, measures.MEMORY_CORRECTABLE, controller.correctable)
        yield from sample(origin, measures.MEMORY_UNCORRECTABLE, controller.uncorrectable)


def sample_thermal(thermal: Thermal, _where: DeviceMap) -> Iterator[Sample]:
    """Sample the board's and the processor's heat, fans and power; sensors that share a name are numbered."""
    seen: Counter[tuple[str, str]] = Counter()
    for chip, reading in thermal.temperatures:
        yield from sample(_sensor(chip, reading.label, seen), measures.CELSIUS, reading.celsius)
    for fan in thermal.fans:
        yield from sample(_sensor(fan.chip, fan.label, seen), measures.FAN_RPM, fan.rpm)
    for meter in thermal.power:
        yield from sample(_sensor("power", meter.name, seen), measures.WATTS, meter.watts)
    for package, count in thermal.throttle_counts.items():
        yield from sample(Origin("processor", "", package), measures.THROTTLE_COUNT, count)


def _sensor(chip: str, label: str, seen: Counter[tuple[str, str]]) -> Origin:
    seen[chip, label] += 1
    number = seen[chip, label]
    return Origin(chip, "", label if number == 1 else f"{label} #{number}")


def sample_file_systems(mounted: tuple[MountedFileSystem, ...], _where: DeviceMap) -> Iterator[Sample]:
    """Sample how much room is left."""
    for file_system in mounted:
        yield from sample(Origin(file_system.mount), measures.AVAILABLE_BYTES, file_system.available_bytes)
