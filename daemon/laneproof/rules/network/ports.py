"""Network ports, and the bonds that they are in.

The kernel counts since it found a port. A first pass reports only large counts; once the daemon sees a count grow, it
reports small ones too.
"""

from collections.abc import Iterator

from laneproof.rules.rule import Pass, Rule
from laneproof_collectors.snapshot import Interface
from laneproof_collectors.unread import Unread, if_read

ONE_FLOW = "One flow (one copy of one file) stays on one member of a bond, and gets no more than that member carries."
"""Source: Documentation/networking/bonding.rst, on the transmit hash."""


def find_ports(current: Pass) -> Iterator[tuple[Interface, str | None]]:
    """Give each port with the bond that it is in; not the bond's own interface, since its members are judged."""
    if isinstance(current.snapshot.interfaces, Unread):
        return  # network-link-slow or reading-incomplete says so
    bonds = if_read(current.snapshot.bonds)
    member_of = {member.name: bond.name for bond in bonds for member in bond.members}
    member_of |= {name: plan.name for plan in (current.build.bond if current.build else ()) for name in plan.members}
    names = {bond.name for bond in bonds}
    for interface in current.snapshot.interfaces:
        if interface.name not in names:
            yield interface, member_of.get(interface.name)


def name_port(interface: Interface, bond: str | None) -> str:
    """Name a port with the bond that it is in."""
    return f"{interface.name} (member of {bond})" if bond else interface.name


def steps_for(rule: Rule, bond: str | None) -> tuple[str, ...]:
    """Give a rule's steps; for a member of a bond with what one flow gets at most."""
    return (*rule.next_steps, ONE_FLOW) if bond else rule.next_steps
