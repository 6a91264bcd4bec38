"""The metrics of one judged pass, as prometheus-client's families. A pure function of facts and findings."""

from collections.abc import Iterable, Iterator, Sequence
from fractions import Fraction
from functools import partial
from itertools import product

from prometheus_client.core import CounterMetricFamily, GaugeMetricFamily
from prometheus_client.metrics_core import Metric as Family

from laneproof import __version__
from laneproof.box.link_rates import rate_of
from laneproof.box.shown_positions import list_positions
from laneproof.box.topology import Topology, topology_of
from laneproof.declaration.build import Build
from laneproof.evidence.alarm_budget import FALSE_ALARMS_PER_YEAR
from laneproof.findings import Finding, Kind, Severity
from laneproof.outputs.audit_json import name_box
from laneproof.outputs.box_metrics import list_box_rows
from laneproof.outputs.metric_table import METRICS, PREFIX, Row, Sample, keep_figures, write_label
from laneproof.outputs.sign_metrics import list_sign_samples
from laneproof.rules import RULES
from laneproof_collectors.snapshot import HealthLog, Snapshot
from laneproof_collectors.unread import Unread

_UNIT_BYTES = 512_000  # NVM Express Base 2.0, 5.16.1.3: a data unit is 1000 blocks of 512 bytes
_MINUTE, _HOUR, _PERCENT, _GIGA = 60, 3600, Fraction(1, 100), 1e9
_HEALTH: tuple[tuple[str, str, int | Fraction], ...] = (
    ("nvme_critical_warning", "critical_warning", 1),
    ("nvme_composite_temperature_celsius", "composite_temperature_celsius", 1),
    ("nvme_available_spare_ratio", "available_spare_percent", _PERCENT),
    ("nvme_available_spare_threshold_ratio", "available_spare_threshold_percent", _PERCENT),
    ("nvme_percentage_used_ratio", "percentage_used", _PERCENT),
    ("nvme_data_read_bytes", "data_units_read", _UNIT_BYTES),
    ("nvme_data_written_bytes", "data_units_written", _UNIT_BYTES),
    ("nvme_host_read_commands", "host_read_commands", 1),
    ("nvme_host_write_commands", "host_write_commands", 1),
    ("nvme_controller_busy_seconds", "controller_busy_minutes", _MINUTE),
    ("nvme_power_cycles", "power_cycles", 1),
    ("nvme_power_on_seconds", "power_on_hours", _HOUR),
    ("nvme_unsafe_shutdowns", "unsafe_shutdowns", 1),
    ("nvme_media_errors", "media_errors", 1),
    ("nvme_error_log_entries", "error_log_entries", 1),
    ("nvme_warning_temperature_seconds", "warning_temperature_minutes", _MINUTE),
    ("nvme_critical_temperature_seconds", "critical_temperature_minutes", _MINUTE),
)
"""Metric, field of the health log, and how much of the metric's unit one of the field is."""


def make_families(samples: Iterable[Sample]) -> Iterator[Family]:
    """Gather samples into families, in the table's order: one for each metric that has samples."""
    by_name: dict[str, list[Sample]] = {}
    for sample in samples:
        by_name.setdefault(sample[0], []).append(sample)
    for metric in METRICS:
        if metric.name not in by_name:
            continue
        family: CounterMetricFamily | GaugeMetricFamily
        if metric.kind == "counter":
            family = CounterMetricFamily(PREFIX + metric.name, metric.says, labels=metric.labels)
        else:
            family = GaugeMetricFamily(metric.full_name, metric.says, labels=metric.labels)
        for _, values, value in by_name[metric.name]:
            family.add_metric(values, value)
        yield family


def list_samples(build: Build | None, snapshot: Snapshot, findings: Sequence[Finding]) -> Iterator[Sample]:
    """Give every sample of one judged pass."""
    return keep_figures(_list_rows(build, snapshot, findings))


def _list_rows(build: Build | None, snapshot: Snapshot, findings: Sequence[Finding]) -> Iterator[Row]:
    topology = topology_of(snapshot)
    firmware = snapshot.firmware
    kernel, bios = ("", "") if isinstance(firmware, Unread) else (firmware.kernel_release, firmware.bios_version)
    yield "box", (name_box(build, snapshot), __version__, write_label(kernel), write_label(bios)), 1
    yield "snapshot_timestamp_seconds", (), snapshot.taken_at
    yield from _findings(findings)
    yield from _links(build, snapshot)
    yield from _errors(build, topology)
    yield from _nvme(build, snapshot, topology)
    yield from list_box_rows(snapshot, partial(_name_position, build))


def list_judge_samples(build: Build | None, problem: str | None) -> Iterator[Sample]:
    """Give the samples of what the box is judged by, and of why the newest declaration is not in force."""
    if build is not None or problem is not None:
        yield "declaration_in_force", (), float(problem is None)
    if build is not None and build.checksum is not None:
        yield "declaration", (build.checksum,), 1
    for rule in RULES:
        yield "rule", (rule.name, rule.statement, next(iter(rule.next_steps), "")), 1
    yield "alarm_budget_per_year", (), FALSE_ALARMS_PER_YEAR


def _findings(findings: Sequence[Finding]) -> Iterator[Sample]:
    standing = [finding for finding in findings if finding.accepted is None]
    first: dict[tuple[str, str], Finding] = {}
    for finding in standing:
        first.setdefault((finding.rule, finding.position or finding.key or finding.subject), finding)
    for (rule, about), finding in first.items():
        yield "finding", (rule, str(finding.kind), str(finding.severity), about), 1
        yield "finding_values", (rule, about, *_say_values(finding), next(iter(finding.next_steps), "")), 1
        for cause in finding.causes:
            yield "cause_probability_ratio", (rule, about, cause.cause), cause.probability
        yield from list_sign_samples(finding, about)
    for kind, severity in product(Kind, Severity):
        count = sum(finding.kind is kind and finding.severity is severity for finding in standing)
        yield "findings", (str(kind), str(severity)), count


def _say_values(finding: Finding) -> tuple[str, str]:
    """Give both values where one is declared; one that is only observed may change each pass, and a label must not."""
    return ("", "") if finding.declared is None else (finding.declared, finding.observed or "")


def _links(build: Build | None, snapshot: Snapshot) -> Iterator[Row]:
    for position in list_positions(build, snapshot):
        labels = (position.label or position.path,)
        for rate_metric, lanes_metric, width in (
            ("link_trained_transfers_per_second", "link_trained_lanes", position.trained),
            ("link_capable_transfers_per_second", "link_capable_lanes", position.capable),
            ("link_declared_transfers_per_second", "link_declared_lanes", position.declared),
        ):
            if width is None:
                continue
            rate = width.gt_s if width.gt_s is not None else rate_of(width.generation) if width.generation else None
            yield rate_metric, labels, None if rate is None else rate * _GIGA
            yield lanes_metric, labels, width.lanes


def _name_position(build: Build | None, path: str) -> str:
    position = build.position_at(path) if build else None
    return position.label if position else path


def _errors(build: Build | None, topology: Topology) -> Iterator[Row]:
    for link in topology.links():
        position = _name_position(build, link.path)
        for end, function in (("port", link.port), ("device", link.device)):
            if function is None or function.aer is None:
                continue
            aer = function.aer
            if not isinstance(aer.correctable, Unread):
                for name, count in aer.correctable.items():
                    yield "link_correctable_errors", (position, end, name), count
            for severity, counts in (("nonfatal", aer.nonfatal), ("fatal", aer.fatal)):
                if not isinstance(counts, Unread):
                    yield "link_uncorrectable_errors", (position, end, severity), sum(counts.values())


def _nvme(build: Build | None, snapshot: Snapshot, topology: Topology) -> Iterator[Row]:
    if isinstance(snapshot.controllers, Unread):
        return
    paths = {drive.name: drive.path for drive in topology.drive_occupants()}
    for controller in snapshot.controllers:
        labels = (_name_position(build, paths.get(controller.name, controller.name)), write_label(controller.serial))
        yield "nvme", (*labels, controller.name, write_label(controller.model), write_label(controller.firmware)), 1
        if not isinstance(controller.health, Unread):
            yield from _health(controller.health, labels)
        for limit in ("warning_temperature_celsius", "critical_temperature_celsius"):
            yield f"nvme_{limit}", labels, getattr(controller.identity, limit, None)


def _health(health: HealthLog, labels: tuple[str, str]) -> Iterator[Sample]:
    for name, field, unit in _HEALTH:
        value = getattr(health, field)
        if value is not None and field not in health.absent:
            yield name, labels, float(value * unit)
    for sensor, celsius in health.sensor_celsius.items():
        yield "nvme_sensor_temperature_celsius", (*labels, str(sensor)), celsius
    for threshold, transitions, seconds in (
        ("1", health.thermal_transitions_1, health.thermal_seconds_1),
        ("2", health.thermal_transitions_2, health.thermal_seconds_2),
    ):
        if f"thermal_transitions_{threshold}" not in health.absent:
            yield "nvme_thermal_management_transitions", (*labels, threshold), transitions
        if f"thermal_seconds_{threshold}" not in health.absent:
            yield "nvme_thermal_management_seconds", (*labels, threshold), seconds
