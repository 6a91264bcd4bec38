"""A finding's words for the audit's JSON, its identity, and what counts as a change of it."""

from dataclasses import replace
from typing import Any

import pytest

from laneproof.findings import Cause, Finding, Kind, Severity, format_time, order_findings, verdict, write_time
from support.reported_findings import NARROW

FOUND = replace(NARROW, position="riser-1", key="0000:00/01.1", causes=(), since=None)


def test_severities_are_words_of_rfc_5424_in_its_order() -> None:
    # RFC 5424, 6.2.1, table 2: 2 critical, 4 warning, 5 notice (a lower number is worse)
    assert sorted(Severity, key=lambda severity: -severity.rank) == ["critical", "warning", "notice"]


@pytest.mark.parametrize(
    ("finding", "identity"),
    [
        (FOUND, ("link-narrow", "riser-1")),
        (replace(FOUND, position=None), ("link-narrow", "0000:00/01.1")),
        (replace(FOUND, position=None, key=""), ("link-narrow", "0000:03:00.0")),
    ],
)
def test_identity_is_the_position_else_what_stays_with_the_thing(finding: Finding, identity: tuple[str, str]) -> None:
    assert finding.identity == identity


def test_a_bus_address_that_moves_and_counts_that_rise_change_nothing() -> None:
    moved = replace(FOUND, subject="0000:07:00.0", evidence={"count": 9}, summary="other words", next_steps=("look",))
    assert (moved.identity, moved.substance) == (FOUND.identity, FOUND.substance)


@pytest.mark.parametrize(
    "change",
    [
        {"severity": Severity.CRITICAL},
        {"declared": "32 GT/s"},
        {"observed": "2.5 GT/s"},
        {"kind": Kind.UNVERIFIED},
        {"causes": (Cause(cause="signal-path", probability=0.9),)},
    ],
)
def test_severity_both_values_kind_and_first_cause_are_its_substance(change: dict[str, Any]) -> None:
    assert replace(FOUND, **change).substance != FOUND.substance


def test_a_second_cause_or_another_probability_is_no_change() -> None:
    first = replace(FOUND, causes=(Cause(cause="signal-path", probability=0.9),))
    other = replace(FOUND, causes=(Cause(cause="signal-path", probability=0.8), Cause(cause="heat", probability=0.2)))
    assert first.substance == other.substance


def test_json_has_the_contracts_keys_and_accepted_only_where_it_is() -> None:
    known = FOUND.as_json()
    assert list(known) == [
        "rule", "kind", "severity", "position", "subject", "summary", "declared", "observed", "evidence", "causes",
        "next_steps", "since",
    ]  # fmt: skip
    assert known["since"] is None
    assert replace(FOUND, since=0.0).as_json()["since"] == "1970-01-01T00:00:00Z"
    assert replace(FOUND, accepted="spare on order").as_json()["accepted"] == "spare on order"


def test_times_are_rfc_3339_for_programs_and_to_the_minute_for_people() -> None:
    assert format_time(1_790_000_000.9) == "2026-09-21T14:13:20Z"  # date -u -d @1790000000
    assert write_time(1_790_000_000.9) == "2026-09-21 14:13 UTC"


def test_order_is_loudest_first_then_differences_signs_and_unverified_then_place() -> None:
    def make(severity: Severity, kind: Kind, position: str | None) -> Finding:
        return replace(FOUND, severity=severity, kind=kind, position=position)

    wanted = [
        make(Severity.CRITICAL, Kind.UNVERIFIED, "z"),
        make(Severity.WARNING, Kind.DIFFERS, "a"),
        make(Severity.WARNING, Kind.DIFFERS, "b"),
        make(Severity.WARNING, Kind.DIFFERS, None),
        make(Severity.WARNING, Kind.SIGN, "a"),
        make(Severity.NOTICE, Kind.DIFFERS, "a"),
        make(Severity.NOTICE, Kind.UNVERIFIED, "a"),
    ]
    assert order_findings(reversed(wanted)) == wanted


@pytest.mark.parametrize(
    ("findings", "said"),
    [
        ((), "holds"),
        ((FOUND,), "differs"),
        ((replace(FOUND, kind=Kind.SIGN),), "differs"),
        ((replace(FOUND, kind=Kind.UNVERIFIED),), "unverified"),
        ((replace(FOUND, kind=Kind.UNVERIFIED), FOUND), "differs"),
        ((replace(FOUND, accepted="why"),), "holds"),
        ((replace(FOUND, accepted="why"), replace(FOUND, kind=Kind.UNVERIFIED)), "unverified"),
    ],
)
def test_the_verdict(findings: tuple[Finding, ...], said: str) -> None:
    assert verdict(findings, declared=True) == said
    assert verdict(findings, declared=False) == said.replace("holds", "unverified")
