"""Ports whose link comes and goes."""

import pytest

from boxes.port_box import box, judge, watch
from boxes.simulated_past import DAY, HOUR, grown_past
from boxes.snapshot_box import TWO_PORTS
from laneproof.findings import Kind, Severity
from laneproof.rules.network.network_link_flapping import NETWORK_LINK_FLAPPING
from laneproof_collectors.unread import Unread
from support.rule_examples import check_examples, example


@pytest.mark.parametrize("changes", [0, 1, 2, 11, None])
def test_link_that_came_up_at_the_start_holds(changes: int | None) -> None:
    assert judge(NETWORK_LINK_FLAPPING, box(carrier_changes=changes)) == []


def test_first_pass_speaks_of_many_only() -> None:
    (finding,) = judge(NETWORK_LINK_FLAPPING, box(carrier_changes=40))
    assert finding.summary == "the link of wan0 was lost 20 times since the box found it"
    assert finding.severity is Severity.NOTICE


@pytest.mark.parametrize(
    ("counts", "every", "severity"),
    [
        ([2, 2, 4], HOUR, None),  # once: a switch that was restarted
        ([2, 4, 6], 60.0, None),  # which may take the link away twice
        ([2, 4, 6], HOUR, Severity.NOTICE),
        ([2, 12, 22], HOUR, Severity.WARNING),
        ([2, 90, 90, 90], DAY, None),  # it calmed down
    ],
)
def test_growth_within_a_day_is_judged(counts: list[int], every: float, severity: Severity | None) -> None:
    findings = watch("network-link-flapping", "carrier_changes", counts, every=every)
    assert [finding.severity for finding in findings] == ([severity] if severity else [])


def test_count_that_cannot_be_read_is_unverified() -> None:
    findings = judge(NETWORK_LINK_FLAPPING, box(carrier_changes=Unread("carrier_changes", "denied")))
    assert [finding.kind for finding in findings] == [Kind.UNVERIFIED]


def test_examples() -> None:
    check_examples(
        NETWORK_LINK_FLAPPING,
        TWO_PORTS,
        example(box()),
        example(
            box(carrier_changes=10),
            "notice wan0 | Unplug the cable and",
            past=grown_past("interface", "wan0", "carrier_changes", by=8),
        ),
    )
