"""Samples of drives: what each reports of itself, and what was asked of it."""

from collections.abc import Iterator

from laneproof.history import measures
from laneproof.history.measures import sensor
from laneproof.history.origins import DRIVE, DeviceMap, Origin
from laneproof.history.sample import Sample, sample
from laneproof_collectors.snapshot import BlockStatistics, HealthLog, NvmeController, NvmeNamespace, SataDrive
from laneproof_collectors.unread import Unread


def sample_controllers(controllers: tuple[NvmeController, ...], where: DeviceMap) -> Iterator[Sample]:
    """Sample NVMe drives: the health log, the load, and the sensors that stand in for the log where it fails."""
    for controller in controllers:
        path = controller.path or where.positions.get(controller.address or "", controller.name)
        serial = controller.serial if isinstance(controller.serial, str) else ""
        origin = Origin(path, serial or where.serials.get(controller.address or "", ""), DRIVE)
        if not isinstance(controller.health, Unread):
            yield from _health(controller.health, origin)
        elif controller.temperatures:
            yield from sample(origin, measures.COMPOSITE, controller.temperatures[0].celsius)
        yield from _load(controller.namespaces, origin)


def _health(log: HealthLog, origin: Origin) -> list[Sample]:
    found = [*sample(origin, measures.COMPOSITE, log.composite_temperature_celsius)]
    for measure in measures.HEALTH_FIELDS:
        if measure.name not in log.absent:
            found += sample(origin, measure, getattr(log, measure.name))
    for number, celsius in log.sensor_celsius.items():
        found += sample(origin, sensor(number), celsius)
    return found


def _load(namespaces: tuple[NvmeNamespace, ...], origin: Origin) -> list[Sample]:
    reported = [namespace.statistics for namespace in namespaces]
    statistics = [figures for figures in reported if isinstance(figures, BlockStatistics)]
    if not statistics or len(statistics) != len(reported):
        return []  # a sum over a part would fall and rise with what could be read
    found: list[Sample] = []
    for measure in measures.BLOCK_FIELDS:
        found += sample(origin, measure, sum([getattr(statistic, measure.name) for statistic in statistics]))
    return found


def sample_drives(drives: tuple[SataDrive, ...], _where: DeviceMap) -> Iterator[Sample]:
    """Sample SATA, SAS and USB drives, as far as they report; they know their own paths."""
    for drive in drives:
        serial = drive.serial if isinstance(drive.serial, str) else ""
        origin = Origin(drive.path or drive.name, serial, DRIVE)
        for measure in measures.SATA_FIELDS:
            yield from sample(origin, measure, getattr(drive, measure.name))
