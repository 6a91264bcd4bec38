"""The table of metrics keeps to the OpenMetrics rules for names, and the docs are made from it."""

import re
from pathlib import Path

import pytest

from laneproof.outputs.metric_table import BY_NAME, METRICS, Metric, write_docs

DOCS = Path(__file__).resolve().parents[3] / "docs" / "metrics.md"

# OpenMetrics 1.0, "Units and Base Units", and Prometheus' "Metric and label naming": base units, in the plural. Volts,
# amperes and the like would be here too. What counts things needs no unit; revolutions per minute is what hwmon gives.
BASE_UNITS = ("seconds", "bytes", "celsius", "ratio")
NOT_BASE_UNITS = ("milliseconds", "minutes", "hours", "kelvin", "percent", "kilobytes", "megabytes", "mbit", "gt")


@pytest.mark.parametrize("metric", METRICS, ids=lambda one: one.name)
def test_a_name_keeps_to_the_rules(metric: Metric) -> None:
    assert re.fullmatch(r"laneproof_[a-z0-9]+(_[a-z0-9]+)*", metric.full_name)  # narrower than Prometheus' own rule
    assert metric.full_name.endswith("_total") == (metric.kind == "counter")
    assert metric.full_name.endswith("_info") == (metric.kind == "info")
    assert not set(metric.name.split("_")) & set(NOT_BASE_UNITS)
    words = metric.name.split("_")
    assert all(unit not in words[:-1] or "per" in words for unit in BASE_UNITS), "the unit ends the name"


@pytest.mark.parametrize("metric", METRICS, ids=lambda one: one.name)
def test_labels_and_words_are_fit_for_people(metric: Metric) -> None:
    assert all(re.fullmatch(r"[a-z][a-z_]*", label) for label in metric.labels)
    assert len(set(metric.labels)) == len(metric.labels)
    assert metric.says.endswith(".")
    assert "|" not in metric.says, "it stands in a table"


def test_each_name_is_there_once() -> None:
    assert len(BY_NAME) == len(METRICS)
    assert len({metric.full_name for metric in METRICS}) == len(METRICS)


def test_the_docs_are_as_the_table_says() -> None:
    assert DOCS.read_text() == write_docs(), "run: python -m laneproof.outputs.metric_table > docs/metrics.md"
