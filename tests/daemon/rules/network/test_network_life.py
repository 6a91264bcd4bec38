"""network-link-flapping and network-errors."""

from dataclasses import replace
from typing import Any

import pytest

from laneproof.declaration.build import Build
from laneproof.engine import Engine
from laneproof.findings import Finding, Kind, Severity
from laneproof.past.box_record import DAY, HOUR
from laneproof.past.past import NOTHING
from laneproof.rules.network.network_life import NETWORK_ERRORS, NETWORK_LINK_FLAPPING
from laneproof.rules.network.network_rules import NETWORK_LINK_SLOW, ONE_FLOW
from laneproof.rules.rule import Rule
from laneproof_collectors.snapshot import Snapshot
from laneproof_collectors.unread import Unread
from simulated_box import A_MORNING, Box, declare, make_bond, make_interface

BOND = declare('[[bond]]\nname = "bond0"\nmembers = ["wan0", "wan1"]\n')


def box(*, at: float = A_MORNING, **facts: Any) -> Snapshot:  # noqa: ANN401 (any fact of the port)
    port = replace(make_interface("wan0"), **facts)
    return Box().with_group(interfaces=(port,)).snapshot(taken_at=at)


def judge(rule: Rule, snapshot: Snapshot, build: Build | None = None) -> list[Finding]:
    return list(rule.judge(build, snapshot, NOTHING))


def watch(rule: str, counter: str, counts: list[int], *, every: float, build: Build | None = None) -> list[Finding]:
    """Give what the engine says of a rule after passes in which a counter had these values."""
    engine = Engine(build)
    findings: list[Finding] = []
    for number, count in enumerate(counts):
        outcome = engine.observe(box(at=A_MORNING + number * every, **{counter: count}))
        findings = [one for one in outcome.findings if one.rule == rule]
    return findings


# --- network-link-flapping --------------------------------------------------------------------------------------------


@pytest.mark.parametrize("changes", [0, 1, 2, 11, None])
def test_link_that_came_up_at_the_start_holds(changes: int | None) -> None:
    assert judge(NETWORK_LINK_FLAPPING, box(carrier_changes=changes)) == []


def test_first_look_speaks_of_many_only() -> None:
    (finding,) = judge(NETWORK_LINK_FLAPPING, box(carrier_changes=40))
    assert finding.summary == "the link of wan0 was lost 20 times since the box found it"
    assert finding.severity is Severity.NOTICE


@pytest.mark.parametrize(
    ("counts", "severity"),
    [
        ([2, 2, 4], None),  # once: a switch that was restarted
        ([2, 4, 6], Severity.NOTICE),
        ([2, 12, 22], Severity.WARNING),
    ],
)
def test_growth_within_a_day_is_judged(counts: list[int], severity: Severity | None) -> None:
    findings = watch("network-link-flapping", "carrier_changes", counts, every=HOUR)
    assert [one.severity for one in findings] == ([severity] if severity else [])


def test_link_that_calmed_down_is_let_go() -> None:
    assert watch("network-link-flapping", "carrier_changes", [2, 90, 90, 90], every=DAY) == []


def test_count_that_cannot_be_read_is_unverified() -> None:
    findings = judge(NETWORK_LINK_FLAPPING, box(carrier_changes=Unread("carrier_changes", "denied")))
    assert [one.kind for one in findings] == [Kind.UNVERIFIED]


# --- network-errors ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("count", [0, 5, 999, None])
def test_few_errors_hold(count: int | None) -> None:
    assert judge(NETWORK_ERRORS, box(receive_errors=count)) == []


def test_first_look_tells_many_errors_as_what_they_are() -> None:
    (finding,) = judge(NETWORK_ERRORS, box(receive_errors=5000, transmit_errors=0))
    assert finding.summary == "wan0: 5000 frames received with errors since the box found it"


@pytest.mark.parametrize(
    ("counter", "counts", "severity"),
    [
        ("receive_errors", [0, 9], None),
        ("receive_errors", [0, 10], Severity.NOTICE),
        ("transmit_errors", [0, 12], Severity.NOTICE),
        ("receive_errors", [5000, 6200], Severity.WARNING),
    ],
)
def test_growth_of_errors_is_judged(counter: str, counts: list[int], severity: Severity | None) -> None:
    findings = watch("network-errors", counter, counts, every=HOUR)
    assert [one.severity for one in findings] == ([severity] if severity else [])


def test_old_errors_that_do_not_grow_are_let_go() -> None:
    assert watch("network-errors", "receive_errors", [5000] * 4, every=DAY) == []


@pytest.mark.parametrize("counter", ["receive_errors", "transmit_errors"])
def test_errors_that_cannot_be_read_are_unverified(counter: str) -> None:
    assert [one.kind for one in judge(NETWORK_ERRORS, box(**{counter: Unread(counter, "denied")}))] == [Kind.UNVERIFIED]


# --- bonds ------------------------------------------------------------------------------------------------------------


def test_member_of_a_bond_is_told_with_what_one_flow_means() -> None:
    """One connection uses one member: Documentation/networking/bonding.rst, on transmit hashes."""
    for rule, facts in ((NETWORK_LINK_FLAPPING, {"carrier_changes": 90}), (NETWORK_ERRORS, {"receive_errors": 5000})):
        (finding,) = judge(rule, box(**facts), BOND)
        assert "wan0 (member of bond0)" in finding.summary
        assert ONE_FLOW in finding.next_steps
        (alone,) = judge(rule, box(**facts))
        assert ONE_FLOW not in alone.next_steps


def test_slow_member_of_a_bond_is_told_with_what_one_flow_means() -> None:
    build = declare('[[bond]]\nname = "bond0"\nmembers = ["wan0"]\nmember_speed_mbit_s = 10000\n')
    (finding,) = judge(NETWORK_LINK_SLOW, box(speed_mbit_s=1000), build)
    assert ONE_FLOW in finding.next_steps
    alone = declare('[[network]]\nname = "wan0"\nspeed_mbit_s = 10000\n')
    (finding,) = judge(NETWORK_LINK_SLOW, box(speed_mbit_s=1000), alone)
    assert ONE_FLOW not in finding.next_steps


def test_the_bonds_own_interface_is_not_told_beside_its_members() -> None:
    ports = (make_interface("bond0", carrier_changes=90), make_interface("wan0"))
    snapshot = Box().with_group(interfaces=ports, bonds=(make_bond("bond0", ("wan0",)),)).snapshot()
    assert judge(NETWORK_LINK_FLAPPING, snapshot) == []


def test_interfaces_that_could_not_be_read_are_told_elsewhere() -> None:
    snapshot = replace(box(), interfaces=Unread("/sys/class/net", "denied"))
    assert judge(NETWORK_LINK_FLAPPING, snapshot) == judge(NETWORK_ERRORS, snapshot) == []
