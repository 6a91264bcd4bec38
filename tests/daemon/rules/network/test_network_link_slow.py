"""Network ports against their declared speed."""

from dataclasses import replace

import pytest

from boxes.port_box import BOND, judge_bond
from boxes.snapshot_box import TWO_PORTS, bond_snapshot, make_interface
from laneproof.findings import Kind
from laneproof.rules.network.bond_incomplete import BOND_INCOMPLETE
from laneproof.rules.network.network_link_slow import NETWORK_LINK_SLOW
from laneproof_collectors.snapshot import Interface
from laneproof_collectors.unread import Unread
from support.rule_examples import check_examples, example

UNREAD = Unread("/sys/class/net/wan1/speed", "permission denied")


def pair(second: Interface | None) -> tuple[Interface, ...]:
    return (make_interface("wan0"), *((second,) if second else ()))


@pytest.mark.parametrize(
    ("second", "kind"),
    [
        (make_interface("wan1"), None),
        (make_interface("wan1", speed=25_000), None),
        (make_interface("wan1", speed=1000), Kind.DIFFERS),
        (make_interface("wan1", duplex="half"), Kind.DIFFERS),
        (make_interface("wan1", speed=UNREAD), Kind.UNVERIFIED),
        (make_interface("wan1", speed=None, operational_state="down"), Kind.DIFFERS),
        (make_interface("wan1", speed=None), Kind.UNVERIFIED),  # up, and tells none: virtual ports do so
        (None, None),  # missing: likewise
    ],
)
def test_speed_of_a_member(second: Interface | None, kind: Kind | None) -> None:
    findings = judge_bond(NETWORK_LINK_SLOW, pair(second))
    assert [finding.kind for finding in findings] == ([kind] if kind else [])


def test_member_that_is_down_is_reported_by_its_bond_alone() -> None:
    down = replace(BOND.members[1], mii_status="down")
    interfaces = pair(make_interface("wan1", speed=None, operational_state="down"))
    bonds = (replace(BOND, members=(BOND.members[0], down)),)
    assert judge_bond(NETWORK_LINK_SLOW, interfaces, bonds) == []
    assert [finding.kind for finding in judge_bond(BOND_INCOMPLETE, interfaces, bonds)] == [Kind.DIFFERS]


def test_slow_port_gives_both_values() -> None:
    (finding,) = judge_bond(NETWORK_LINK_SLOW, pair(make_interface("wan1", speed=2500)))
    assert (finding.declared, finding.observed) == ("10 Gbit/s", "2.5 Gbit/s")


@pytest.mark.parametrize(
    ("interfaces", "observed"),
    [
        ((), "no such interface"),
        ((make_interface("lan0", speed=None, operational_state="down"),), "down"),
        ((make_interface("lan0", speed=None, operational_state="lowerlayerdown"),), "down"),
    ],
)
def test_single_port_that_is_down_or_missing(interfaces: tuple[Interface, ...], observed: str) -> None:
    text = '[[network]]\nname = "lan0"\nspeed_mbit_s = 1000'
    (finding,) = judge_bond(NETWORK_LINK_SLOW, interfaces, text=text)
    assert finding.observed == observed


def test_unread_interfaces_are_one_unverified_finding() -> None:
    assert [finding.kind for finding in judge_bond(NETWORK_LINK_SLOW, UNREAD)] == [Kind.UNVERIFIED]


def test_examples() -> None:
    check_examples(
        NETWORK_LINK_SLOW,
        TWO_PORTS,
        example(bond_snapshot()),
        example(bond_snapshot(speed=1000), "warning wan1 | Try another cable"),
    )
