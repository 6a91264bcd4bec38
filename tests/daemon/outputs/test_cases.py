"""Findings of one position that share a cause are one case."""

from dataclasses import replace

from boxes.troubled_box import SIGN
from laneproof.findings import Cause, Finding, Kind, Severity
from laneproof.outputs.cases import group_cases, name_subject

PATH = (Cause(cause="signal-path", probability=0.9),)
SHORT = replace(SIGN, rule="link-narrow", kind=Kind.DIFFERS, severity=Severity.WARNING, causes=PATH)


def rules(*findings: Finding) -> list[list[str]]:
    return [[finding.rule for finding in case.findings] for case in group_cases(findings)]


def test_one_position_and_one_cause_are_one_case() -> None:
    assert rules(SIGN, SHORT) == [["signal-errors", "link-narrow"]]


def test_another_cause_or_another_position_is_another_case() -> None:
    heat = replace(SHORT, causes=(Cause(cause="heat", probability=0.6),))
    assert rules(SIGN, heat) == [["signal-errors"], ["link-narrow"]]
    assert rules(SIGN, replace(SHORT, position="riser-3")) == [["signal-errors"], ["link-narrow"]]


def test_findings_without_a_cause_stand_alone() -> None:
    first, second = (replace(SIGN, rule=rule, causes=()) for rule in ("firmware-differs", "occupant-differs"))
    assert rules(first, second) == [["firmware-differs"], ["occupant-differs"]]


def test_a_case_is_unverified_only_where_nothing_in_it_is_more() -> None:
    gap = replace(SHORT, kind=Kind.UNVERIFIED)
    assert [case.kind for case in group_cases([gap, SHORT])] == [Kind.DIFFERS]
    assert [case.kind for case in group_cases([gap])] == [Kind.UNVERIFIED]


def test_a_case_is_named_by_its_position_else_by_its_subject() -> None:
    assert name_subject(SIGN) == "riser-2"
    (case,) = group_cases([replace(SIGN, position=None)])
    assert case.about == "0000:02:00.0"
    assert case.causes == SIGN.causes
