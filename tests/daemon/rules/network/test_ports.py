"""Network ports, and the bonds that they are in."""

from boxes.port_box import box, judge
from boxes.snapshot_box import Box, declare, make_bond, make_interface
from laneproof.rules.network.network_errors import NETWORK_ERRORS
from laneproof.rules.network.network_link_flapping import NETWORK_LINK_FLAPPING
from laneproof.rules.network.network_link_slow import NETWORK_LINK_SLOW
from laneproof.rules.network.ports import ONE_FLOW

BOND = declare('[[bond]]\nname = "bond0"\nmembers = ["wan0", "wan1"]\n')


def test_member_of_a_bond_is_reported_with_what_one_flow_means() -> None:
    """One connection uses one member: Documentation/networking/bonding.rst, on transmit hashes."""
    for rule, facts in ((NETWORK_LINK_FLAPPING, {"carrier_changes": 90}), (NETWORK_ERRORS, {"receive_errors": 5000})):
        (finding,) = judge(rule, box(**facts), BOND)
        assert "wan0 (member of bond0)" in finding.summary
        assert ONE_FLOW in finding.next_steps
        (alone,) = judge(rule, box(**facts))
        assert ONE_FLOW not in alone.next_steps


def test_slow_member_of_a_bond_is_reported_with_what_one_flow_means() -> None:
    build = declare('[[bond]]\nname = "bond0"\nmembers = ["wan0"]\nmember_speed_mbit_s = 10000\n')
    (finding,) = judge(NETWORK_LINK_SLOW, box(speed_mbit_s=1000), build)
    assert ONE_FLOW in finding.next_steps
    alone = declare('[[network]]\nname = "wan0"\nspeed_mbit_s = 10000\n')
    (finding,) = judge(NETWORK_LINK_SLOW, box(speed_mbit_s=1000), alone)
    assert ONE_FLOW not in finding.next_steps


def test_the_bonds_own_interface_is_not_reported_beside_its_members() -> None:
    ports = (make_interface("bond0", carrier_changes=90), make_interface("wan0"))
    snapshot = Box().with_group(interfaces=ports, bonds=(make_bond("bond0", ("wan0",)),)).snapshot()
    assert judge(NETWORK_LINK_FLAPPING, snapshot) == []
