"""Bonds against their members."""

from dataclasses import replace
from typing import Any

import pytest

from boxes.port_box import BOND, judge_bond
from boxes.snapshot_box import TWO_PORTS, bond_snapshot, make_bond
from laneproof.findings import Kind
from laneproof.rules.network.bond_incomplete import _NOBODY, BOND_INCOMPLETE
from laneproof_collectors.snapshot import Bond
from laneproof_collectors.unread import Unread
from support.rule_examples import check_examples, example

UNREAD = Unread("/sys/class/net/wan1/speed", "permission denied")


def bond(**facts: Any) -> Bond:
    return make_bond("bond0", ("wan0", "wan1"), **facts)


def with_member(**facts: Any) -> Bond:
    return replace(BOND, members=(BOND.members[0], replace(BOND.members[1], **facts)))


# Conditions as the kernel documents them in Documentation/networking/bonding.rst
@pytest.mark.parametrize(
    ("bond", "words"),
    [
        (BOND, None),
        (bond(mode="802.3ad 4"), None),
        (bond(mode="active-backup"), "its mode is active-backup"),
        (bond(partner_mac="00:00:00:00:00:00"), "far side does not answer"),
        (make_bond("bond0", ("wan0",)), "wan1 is not a member"),
        (with_member(mii_status="down"), "wan1 is down"),
        (with_member(aggregator_id=2), "not in the active one"),
        (replace(with_member(aggregator_id=2), active_aggregator=None), "in different aggregators, 1, 2"),
        (bond(active_aggregator=None), None),
    ],
)
def test_when_an_bond_is_not_whole(bond: Bond, words: str | None) -> None:
    findings = judge_bond(BOND_INCOMPLETE, bonds=(bond,))
    assert bool(findings) == (words is not None)
    assert all(finding.kind is Kind.DIFFERS and str(words) in finding.summary for finding in findings)


@pytest.mark.parametrize(
    "bonds",
    [
        UNREAD,
        (bond(mode=UNREAD),),
        (bond(partner_mac=UNREAD),),
        (bond(active_aggregator=UNREAD),),
        (with_member(mii_status=UNREAD),),
        (with_member(aggregator_id=UNREAD),),
        (with_member(aggregator_id=None),),
    ],
)
def test_what_cannot_be_read_is_unverified(bonds: object) -> None:
    assert [finding.kind for finding in judge_bond(BOND_INCOMPLETE, bonds=bonds)] == [Kind.UNVERIFIED]


def test_missing_bond_differs_and_one_flow_stays_on_one_member_is_said() -> None:
    (finding,) = judge_bond(BOND_INCOMPLETE, bonds=())
    assert finding.kind is Kind.DIFFERS
    assert any("Only several flows together" in step for step in finding.next_steps)
    assert "one flow no more than one member" in BOND_INCOMPLETE.why


def test_examples() -> None:
    check_examples(
        BOND_INCOMPLETE,
        TWO_PORTS,
        example(bond_snapshot()),
        example(bond_snapshot(partner_mac=_NOBODY, aggregated_ports=1), "warning bond0 | Read"),
    )
