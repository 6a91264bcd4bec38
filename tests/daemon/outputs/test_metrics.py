"""The metrics of a judged pass: standard figures in base units, nothing for what was not read, no series twice."""

from collections import Counter
from collections.abc import Iterable
from dataclasses import replace
from typing import Any

import pytest
from prometheus_client import CollectorRegistry, Metric
from prometheus_client.exposition import generate_latest
from prometheus_client.openmetrics.exposition import generate_latest as generate_openmetrics
from prometheus_client.openmetrics.parser import text_string_to_metric_families as parse_openmetrics
from prometheus_client.parser import text_string_to_metric_families
from prometheus_client.registry import Collector

from boxes.snapshot_box import Box, declare, kelp_box, make_memory, without_groups
from boxes.troubled_box import troubled
from laneproof.findings import Finding, Kind, Severity
from laneproof.outputs.metric_table import BY_NAME, Sample
from laneproof.outputs.metrics import list_samples, make_families
from laneproof_collectors.snapshot import AerCounters, Snapshot
from laneproof_collectors.unread import Reason, Unread

GAP = Unread("x", "made up", Reason.DENIED)
Series = dict[tuple[str, tuple[tuple[str, str], ...]], float]


class _Fixed(Collector):
    def __init__(self, samples: Iterable[Sample]) -> None:
        self._samples = tuple(samples)

    def collect(self) -> Iterable[Metric]:
        return make_families(self._samples)


def scrape(samples: Iterable[Sample]) -> Series:
    """Write samples as text and read them back with the library's parser, as a scraper would."""
    registry = CollectorRegistry(auto_describe=False)
    registry.register(_Fixed(samples))
    text = generate_latest(registry).decode()
    return {
        (sample.name, tuple(sorted(sample.labels.items()))): sample.value
        for family in text_string_to_metric_families(text)
        for sample in family.samples
    }


def series(snapshot: Snapshot, build: str | None = None, findings: tuple[Finding, ...] = ()) -> Series:
    return scrape(list_samples(declare(build) if build is not None else None, snapshot, findings))


def find(all_series: Series, name: str, **labels: str) -> list[float]:
    wanted = set(labels.items())
    return [value for (own, have), value in all_series.items() if own == f"laneproof_{name}" and wanted <= set(have)]


def drive(**health: Any) -> Snapshot:
    return Box().with_port("0000:00/01.1").with_drive("0000:00/01.1", health=health).snapshot()


def test_every_sample_is_in_the_table_with_its_labels() -> None:
    judged = troubled()
    samples = list(list_samples(judged.build, judged.snapshot, judged.findings))
    assert samples
    assert [name for name, labels, _ in samples if len(labels) != len(BY_NAME[name].labels)] == []


def test_a_finding_is_a_series_of_value_one_and_an_accepted_one_is_none() -> None:
    judged = troubled()
    found = scrape(list_samples(judged.build, judged.snapshot, judged.findings))
    assert find(found, "finding", rule="signal-errors", kind="sign", severity="critical", position="riser-2") == [1]
    assert find(found, "finding", rule="link-slow") == []
    assert find(found, "cause_probability_ratio", cause="signal-path", position="riser-2") == [0.82]


def test_counts_of_findings_are_there_even_when_nothing_is_found() -> None:
    counts = {key: value for key, value in series(drive()).items() if key[0] == "laneproof_findings"}
    assert len(counts) == len(Kind) * len(Severity)
    assert set(counts.values()) == {0}


def test_two_findings_of_one_identity_are_one_series() -> None:
    one = Finding(rule="r", kind=Kind.SIGN, severity=Severity.NOTICE, subject="s", summary="a")
    found = series(drive(), findings=(one, replace(one, summary="b")))
    assert find(found, "finding", rule="r") == [1]


def test_a_finding_without_a_position_is_reported_by_what_stays_with_it() -> None:
    one = Finding(rule="r", kind=Kind.SIGN, severity=Severity.NOTICE, subject="0000:07:00.0", key="FN-1", summary="a")
    assert find(series(drive(), findings=(one,)), "finding", position="FN-1") == [1]


@pytest.mark.parametrize(
    ("field", "raw", "metric", "value"),
    [
        # NVM Express Base Specification 2.0, 5.16.1.3 (figure "SMART / Health Information log page"): the units.
        ("data_units_read", 3, "nvme_data_read_bytes_total", 3 * 512_000),
        ("data_units_written", 1_000_000_000, "nvme_data_written_bytes_total", 512e12),
        ("power_on_hours", 2, "nvme_power_on_seconds_total", 7200),
        ("controller_busy_minutes", 2, "nvme_controller_busy_seconds_total", 120),
        ("warning_temperature_minutes", 5, "nvme_warning_temperature_seconds_total", 300),
        ("critical_temperature_minutes", 5, "nvme_critical_temperature_seconds_total", 300),
        ("available_spare_threshold_percent", 10, "nvme_available_spare_threshold_ratio", 0.1),
        ("host_write_commands", 11, "nvme_host_write_commands_total", 11),
        ("power_cycles", 12, "nvme_power_cycles_total", 12),
        ("error_log_entries", 13, "nvme_error_log_entries_total", 13),
        ("available_spare_percent", 97, "nvme_available_spare_ratio", 0.97),
        ("percentage_used", 105, "nvme_percentage_used_ratio", 1.05),
        ("composite_temperature_celsius", 41.0, "nvme_composite_temperature_celsius", 41.0),
        ("critical_warning", 0b101, "nvme_critical_warning", 5),
        ("media_errors", 7, "nvme_media_errors_total", 7),
        ("unsafe_shutdowns", 9, "nvme_unsafe_shutdowns_total", 9),
    ],
)
def test_the_health_log_is_reported_in_base_units(field: str, raw: float, metric: str, value: float) -> None:
    assert find(series(drive(**{field: raw})), metric) == [value]


def test_a_counter_beyond_64_bits_is_reported_as_near_as_a_float_comes() -> None:
    assert find(series(drive(host_read_commands=2**100)), "nvme_host_read_commands_total") == [float(2**100)]


def test_a_temperature_of_no_sensor_is_absent() -> None:
    assert find(series(drive(composite_temperature_celsius=None)), "nvme_composite_temperature_celsius") == []


def test_what_the_source_does_not_report_is_absent() -> None:
    reported = series(drive(media_errors=0, absent=("media_errors", "thermal_seconds_1", "thermal_transitions_2")))
    assert find(reported, "nvme_media_errors_total") == []
    assert find(reported, "nvme_thermal_management_seconds_total", threshold="1") == []
    assert find(reported, "nvme_thermal_management_seconds_total", threshold="2") == [0]
    assert find(reported, "nvme_thermal_management_transitions_total", threshold="2") == []


def test_an_unread_health_log_gives_no_figure_but_the_drive_is_there() -> None:
    found = series(Box().with_drive("0000:00/05.0", health=GAP).snapshot())
    assert find(found, "nvme_info", model="Fulmar N4") == [1]
    assert find(found, "nvme_percentage_used_ratio") == []


def test_links_are_reported_trained_capable_and_declared_apart() -> None:
    judged = troubled()
    found = scrape(list_samples(judged.build, judged.snapshot, judged.findings))
    at = {"position": "riser-2"}
    assert find(found, "link_declared_lanes", **at) == [4]
    assert find(found, "link_trained_lanes", **at) == [2]
    assert find(found, "link_trained_transfers_per_second", **at) == [16e9]
    assert find(found, "link_declared_transfers_per_second", **at) == [16e9]
    assert find(found, "link_trained_lanes", position="riser-3") == []  # empty: no link, not 0 lanes


def test_errors_are_reported_of_each_end_by_the_kernels_names() -> None:
    counts = AerCounters(correctable={"RxErr": 12, "BadTLP": 0}, nonfatal={"DLP": 1}, fatal=GAP)
    box = kelp_box(1).edit("0000:00/01.1", lambda one: replace(one, aer=counts))
    found = series(box.snapshot(), '[[position]]\nlabel = "riser-1"\npath = "0000:00/01.1"')
    assert find(found, "link_correctable_errors_total", position="riser-1", end="port", error="RxErr") == [12]
    assert find(found, "link_correctable_errors_total", end="port", error="BadTLP") == [0]
    assert find(found, "link_uncorrectable_errors_total", end="port", severity="nonfatal") == [1]
    assert find(found, "link_uncorrectable_errors_total", severity="fatal") == []  # not read: absent, never 0
    assert find(found, "link_correctable_errors_total", end="device") == []  # no such capability


@pytest.mark.parametrize(
    "group",
    ["functions", "controllers", "firmware", "arrays", "interfaces", "bonds", "memory", "thermal", "drives"],
)
def test_a_group_that_could_not_be_read_takes_nothing_else_with_it(group: str) -> None:
    whole = kelp_box(2).with_array("md0", ("nvme0n1",)).with_group(memory=make_memory("32 GiB"))
    snapshot = without_groups(whole.snapshot(), (group,), GAP)
    samples = series(snapshot)
    assert find(samples, "snapshot_timestamp_seconds") == [1_790_000_000.0]
    assert find(samples, "box_info") == [1]
    assert find(samples, "array_members", array="md0") == ([] if group == "arrays" else [1])


def test_nothing_is_twice_in_a_box_of_many_drives() -> None:
    samples = list(list_samples(None, kelp_box(24).snapshot(), ()))
    assert max(Counter((name, labels) for name, labels, _ in samples).values()) == 1


def test_names_of_any_kind_survive_both_formats() -> None:
    build = declare('[[position]]\nlabel = "x"\npath = "0000:00/01.1"')
    label = 'slot "A"\\ \n süd'
    build = build.model_copy(update={"position": (build.position[0].model_copy(update={"label": label}),)})
    registry = CollectorRegistry(auto_describe=False)
    registry.register(_Fixed(list_samples(build, kelp_box(1).snapshot(), ())))
    for parse, text in (
        (text_string_to_metric_families, generate_latest(registry)),
        (parse_openmetrics, generate_openmetrics(registry)),
    ):
        lanes = [sample for family in parse(text.decode()) if family.name == "laneproof_link_trained_lanes"
                 for sample in family.samples]  # fmt: skip
        assert [lane.labels["position"] for lane in lanes] == [label]
