"""What is one message: findings of one position and cause, drives of one slot, what shares a supply."""

from dataclasses import replace

import pytest

from laneproof.findings import Finding, Severity
from laneproof.notification.cases import collect_cases
from support.reported_findings import NARROW, POSITIONS, SETTING, at

ARRAY = replace(
    SETTING, rule="array-degraded", severity=Severity.CRITICAL, subject="md0", evidence={"out_of_it": ["riser-3"]}
)
RISERS = ("riser-1", "riser-2", "riser-3", "riser-4")


@pytest.mark.parametrize(
    ("findings", "abouts"),
    [
        ([NARROW, at("riser-3", rule="link-slow")], ["riser-3"]),
        ([NARROW, at("riser-3", rule="overheating", cause="heat")], ["riser-3", "riser-3"]),
        ([at(riser) for riser in RISERS], ["riser: riser-1, riser-2, riser-3, riser-4"]),
        ([at("riser-1"), at("riser-2", cause="heat")], ["riser-1", "riser-2"]),
        ([replace(at(riser), causes=()) for riser in RISERS[:2]], ["riser: riser-1, riser-2"]),
        ([replace(at("riser-1"), causes=()), replace(at("riser-2", rule="x"), causes=())], ["riser-1", "riser-2"]),
        ([at("riser-1"), at("deck-1")], ["deck-1", "riser-1"]),
        ([at("riser-1", cause="shared-supply"), at("deck-1", cause="shared-supply")], ["deck-1, riser-1"]),
        ([SETTING, NARROW], ["riser-3", "aspm_policy"]),
        ([at("riser-3", rule="position-empty"), ARRAY], ["md0, riser-3"]),
        ([at("riser-1", rule="position-empty"), ARRAY], ["md0", "riser-1"]),
    ],
)
def test_findings_are_collected_into_cases(findings: list[Finding], abouts: list[str]) -> None:
    assert [case.about for case in collect_cases(findings, POSITIONS)] == abouts
