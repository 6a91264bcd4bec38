"""Findings of one position that share a cause are one case."""

from dataclasses import replace

from laneproof.box.shown_positions import list_positions
from laneproof.findings import Cause, Finding, Kind, Severity
from laneproof.outputs.cases import group_cases, is_about, name_subject
from simulated_box import declare, kelp_box
from troubled_box import SIGN

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


def test_a_finding_is_about_a_position_by_position_path_or_the_device_in_it() -> None:
    build = declare('[[position]]\nlabel = "riser-1"\npath = "0000:00/01.1"')
    first, second = list_positions(build, kelp_box(2).snapshot())
    finding = Finding(rule="r", kind=Kind.SIGN, severity=Severity.NOTICE, subject="aspm", summary="s")
    assert not is_about(first, finding)
    assert is_about(first, replace(finding, position="riser-1"))
    assert not is_about(first, replace(finding, position="riser-2", key="0000:00/01.1"))
    for about in ({"key": "0000:00/01.2"}, {"subject": "nvme1"}, {"key": "FN0002"}, {"subject": "0000:02:00.0"}):
        assert is_about(second, replace(finding, **about)), about
        assert not is_about(first, replace(finding, **about)), about
