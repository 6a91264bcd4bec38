"""Ports that receive or send what cannot be used."""

from typing import Any

import pytest

from boxes.port_box import box, judge, watch
from boxes.simulated_past import DAY, HOUR, grown_past
from boxes.snapshot_box import TWO_PORTS
from laneproof.findings import Kind, Severity
from laneproof.rules.network.network_errors import NETWORK_ERRORS
from laneproof_collectors.unread import Unread
from support.rule_examples import check_examples, example


@pytest.mark.parametrize("count", [0, 5, 999, None])
def test_few_errors_hold(count: int | None) -> None:
    assert judge(NETWORK_ERRORS, box(receive_errors=count)) == []


def test_first_pass_reports_many_errors_as_what_they_are() -> None:
    (finding,) = judge(NETWORK_ERRORS, box(receive_errors=5000, transmit_errors=0))
    assert finding.summary == "wan0: 5000 frames received with errors since the box found it"


@pytest.mark.parametrize(
    ("counter", "counts", "every", "severity"),
    [
        ("receive_errors", [0, 9], HOUR, None),
        ("receive_errors", [0, 10], HOUR, Severity.NOTICE),
        ("transmit_errors", [0, 12], HOUR, Severity.NOTICE),
        ("receive_errors", [5000, 6200], HOUR, Severity.WARNING),
        ("receive_errors", [5000] * 4, DAY, None),  # old errors that do not grow are let go
    ],
)
def test_growth_of_errors_is_judged(counter: str, counts: list[int], every: float, severity: Severity | None) -> None:
    findings = watch("network-errors", counter, counts, every=every)
    assert [finding.severity for finding in findings] == ([severity] if severity else [])


@pytest.mark.parametrize("counter", ["receive_errors", "transmit_errors"])
def test_errors_that_cannot_be_read_are_unverified(counter: str) -> None:
    gap: dict[str, Any] = {counter: Unread(counter, "denied")}
    assert [finding.kind for finding in judge(NETWORK_ERRORS, box(**gap))] == [Kind.UNVERIFIED]


def test_examples() -> None:
    check_examples(
        NETWORK_ERRORS,
        TWO_PORTS,
        example(box()),
        example(box(receive_errors=3)),
        example(
            box(receive_errors=200),
            "notice wan0 | Clean or replace",
            past=grown_past("interface", "wan0", "receive_errors", by=200),
        ),
    )
