"""The network's ceiling: what all flows get together, and what one flow gets.

A bond of ports spreads flows, not the packets of one flow: "no single connection" gets more than one member.
Source: kernel Documentation/networking/bonding.rst, the modes and the notes on 802.3ad.
"""

from dataclasses import dataclass

from laneproof.declaration.build import Build
from laneproof.declaration.tables import DeclaredBond
from laneproof.desk.problems import BudgetNotes

_ONE_AT_A_TIME = ("active-backup", "broadcast")
_PACKETS_IN_TURN = "balance-rr"  # the one mode that spreads a single flow, out of order


@dataclass(frozen=True, slots=True, kw_only=True)
class NetworkBudget:
    """What one port or bond carries in one direction.

    Attributes:
        mode: The bond's mode; None for a port alone.
        members: How many ports it has.
        together_bits_per_second: All flows.
        one_flow_bits_per_second: One flow.
    """

    name: str
    mode: str | None
    members: int
    together_bits_per_second: int
    one_flow_bits_per_second: int


def budget_network(build: Build, notes: BudgetNotes) -> tuple[NetworkBudget, ...]:
    """Work out the ceiling of each bond and each port that stands alone."""
    found = [budget for bond in build.bond if (budget := _budget_bond(bond, notes))]
    for port in build.network:
        if port.speed_mbit_s is None:
            notes.remark(f"{port.name} does not say its speed: it has no ceiling")
            continue
        speed = port.speed_mbit_s * 1_000_000
        found.append(
            NetworkBudget(
                name=port.name, mode=None, members=1, together_bits_per_second=speed, one_flow_bits_per_second=speed
            )
        )
    return tuple(found)


def _budget_bond(bond: DeclaredBond, notes: BudgetNotes) -> NetworkBudget | None:
    members = len(bond.members)
    if bond.member_speed_mbit_s is None or not members:
        notes.remark(f"{bond.name} does not say its members and their speed: it has no ceiling")
        return None
    member = bond.member_speed_mbit_s * 1_000_000
    if bond.mode is None:
        notes.assumption(f"{bond.name} spreads flows over its members", "its mode is not declared")
    together = member if bond.mode in _ONE_AT_A_TIME else member * members
    if bond.mode == _PACKETS_IN_TURN:
        notes.remark(f"{bond.name} sends the packets of one flow over all members in turn, which disorders them")
    elif bond.mode not in _ONE_AT_A_TIME and members > 1:
        notes.assumption(
            f"flows spread evenly over the members of {bond.name}, at both ends",
            "kernel Documentation/networking/bonding.rst: the transmit hash decides, and the far side inbound",
        )
    return NetworkBudget(
        name=bond.name,
        mode=bond.mode,
        members=members,
        together_bits_per_second=together,
        one_flow_bits_per_second=together if bond.mode == _PACKETS_IN_TURN else member,
    )
