"""Samples of PCIe links: what each end trained, aims at, and counted."""

from collections.abc import Iterator, Mapping

from laneproof.box.link_ends import registers_of
from laneproof.history import measures
from laneproof.history.measures import Measure, error_bit
from laneproof.history.origins import DEVICE, PORT, DeviceMap, Origin
from laneproof.history.sample import Sample, sample
from laneproof_collectors.snapshot import AerCounters, PciFunction
from laneproof_collectors.unread import Unread

_ALL_ONES_LANES = 63  # a link status of all ones: the device is gone, not wide
_MESSAGES = "messages"


def sample_functions(functions: tuple[PciFunction, ...], where: DeviceMap) -> Iterator[Sample]:
    """Sample each end of each link, and each function that counts errors."""
    for function in functions:
        is_port = where.topology.is_downstream_facing(function)
        origin = _port_origin(function, where) if is_port else _device_origin(function, where)
        if function.address.endswith(".0") or is_port or len(function.hops) == 1:
            yield from _link(function, origin, is_port=is_port)
        if function.aer is not None:
            yield from _errors(function.aer, origin)


def _port_origin(function: PciFunction, where: DeviceMap) -> Origin:
    path = function.own_path
    return Origin(path, where.drive_below(path), PORT)


def _device_origin(function: PciFunction, where: DeviceMap) -> Origin:
    number = function.address.rpartition(".")[2]
    end = DEVICE if number == "0" or len(function.hops) == 1 else f"{DEVICE}.{number}"
    return Origin(function.path, where.serials.get(function.address, ""), end)


def _link(function: PciFunction, origin: Origin, *, is_port: bool) -> Iterator[Sample]:
    if function.link.trained_lanes is None and function.express is None:
        return
    if not is_port:
        yield from sample(origin, measures.ANSWERS, function.answers)
    if not function.answers:
        return  # all ones are no reading
    registers = registers_of(function)
    lanes = registers.trained_lanes if registers else function.link.trained_lanes
    if lanes != _ALL_ONES_LANES:
        yield from sample(
            origin, measures.TRAINED_GT_S, registers.trained_gt_s if registers else function.link.trained_gt_s
        )
        yield from sample(origin, measures.TRAINED_LANES, lanes)
    if registers:
        yield from sample(origin, measures.TARGET_GT_S, registers.target_gt_s)
        yield from sample(origin, measures.ASPM_ENABLED, registers.aspm_enabled)
    if not is_port and function.power.runtime_status is not None:
        yield from sample(origin, measures.ASLEEP, function.power.sleeps)


def _errors(counters: AerCounters, origin: Origin) -> Iterator[Sample]:
    for measure, counts in (
        (measures.CORRECTABLE, counters.correctable),
        (measures.NONFATAL, counters.nonfatal),
        (measures.FATAL, counters.fatal),
    ):
        if not isinstance(counts, Unread):
            yield from _bits(origin, measure, counts)
    if origin.end != PORT:
        return
    # What all below a root port reported to it: of no one drive.
    messages = Origin(origin.path, "", _MESSAGES)
    yield from sample(messages, measures.ROOT_CORRECTABLE, counters.root_correctable)
    yield from sample(messages, measures.ROOT_NONFATAL, counters.root_nonfatal)
    yield from sample(messages, measures.ROOT_FATAL, counters.root_fatal)


def _bits(origin: Origin, measure: Measure, counts: Mapping[str, int]) -> Iterator[Sample]:
    yield from sample(origin, measure, sum(counts.values()))
    for bit, count in counts.items():
        if count:
            yield from sample(origin, error_bit(measure, bit), count)
