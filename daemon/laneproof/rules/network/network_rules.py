"""network-link-slow and bond-incomplete: network ports against their declared speed, bonds against their members.

Even a whole bond gives one flow no more than one member's speed: the transmit hash picks a member for each flow.
"""

from collections.abc import Iterator, Mapping

from laneproof.declaration.build import Build
from laneproof.declaration.tables import DeclaredBond
from laneproof.findings import Finding, Kind, Severity
from laneproof.past.past import Past
from laneproof.rules.example_box import Box, make_bond
from laneproof.rules.rule import Example, Rule
from laneproof_collectors.snapshot import Bond, BondMember, Interface, Snapshot
from laneproof_collectors.unread import Reason, Unread

SLOW, INCOMPLETE = "network-link-slow", "bond-incomplete"
_LACP = "802.3ad"
_DOWN = ("down", "lowerlayerdown", "notpresent", "dormant")  # Documentation/ABI/testing/sysfs-class-net, operstate
_NOBODY = "00:00:00:00:00:00"
ONE_FLOW = "One flow (one copy of one file) stays on one member of a bond, and gets no more than that member carries."
"""Source: Documentation/networking/bonding.rst, on the transmit hash."""


# --- network-link-slow ------------------------------------------------------------------------------------------------


def _judge_slow(build: Build | None, snapshot: Snapshot, _past: Past) -> Iterator[Finding]:
    speeds = dict(_declared_speeds(build)) if build else {}
    if not speeds:
        return
    if isinstance(snapshot.interfaces, Unread):
        yield _unverified(SLOW, ", ".join(speeds), "network interfaces", snapshot.interfaces)
        return
    by_name = {one.name: one for one in snapshot.interfaces}
    members = {name for plan in (build.bond if build else ()) for name in plan.members}
    told_down = set(_list_down(snapshot))
    for name, speed in speeds.items():
        interface = by_name.get(name)
        if interface is not None and not (name in members and name in told_down):
            yield from _judge_interface(interface, speed, is_member=name in members)
        elif interface is not None:
            continue  # a member that is down is told by its bond
        elif name not in members:  # a missing member is told by its bond
            yield _slow(name, speed, "no such interface", {}, is_member=False)


def _list_down(snapshot: Snapshot) -> Iterator[str]:
    for bond in () if isinstance(snapshot.bonds, Unread) else snapshot.bonds:
        yield from (one.name for one in bond.members if one.mii_status != "up")


def _declared_speeds(build: Build) -> Iterator[tuple[str, int]]:
    for plan in build.bond:
        if plan.member_speed_mbit_s is not None:
            yield from ((name, plan.member_speed_mbit_s) for name in plan.members)
    for port in build.network:
        if port.speed_mbit_s is not None:
            yield port.name, port.speed_mbit_s


def _judge_interface(interface: Interface, declared: int, *, is_member: bool) -> Iterator[Finding]:
    speed, duplex = interface.speed_mbit_s, interface.duplex
    if speed is None and interface.operational_state in _DOWN:
        evidence = {"operational_state": str(interface.operational_state)}
        yield _slow(interface.name, declared, "down", evidence, is_member=is_member)
    elif speed is None:
        why = f"it tells none, though its state is {interface.operational_state}; virtual ports often tell no speed"
        yield _unverified(SLOW, interface.name, interface.name, Unread("its speed", why, Reason.ABSENT))
    elif isinstance(speed, Unread):
        yield _unverified(SLOW, interface.name, interface.name, speed)
    elif speed < declared:
        yield _slow(interface.name, declared, _write(speed), {"speed_mbit_s": speed}, is_member=is_member)
    elif duplex == "half":
        observed = f"{_write(speed)} in half duplex"
        yield _slow(interface.name, declared, observed, {"duplex": "half"}, is_member=is_member)


def _write(mbit_s: int) -> str:
    return f"{mbit_s / 1000:g} Gbit/s" if mbit_s >= 1000 else f"{mbit_s} Mbit/s"  # noqa: PLR2004 (kilo)


def _slow(name: str, declared: int, observed: str, evidence: Mapping[str, object], *, is_member: bool) -> Finding:
    return Finding(
        rule=SLOW,
        kind=Kind.DIFFERS,
        severity=Severity.WARNING,
        subject=name,
        key=name,
        summary=f"{name} is {observed}, declared {_write(declared)}",
        declared=_write(declared),
        observed=observed,
        evidence={"declared_mbit_s": declared, **evidence},
        next_steps=(*NETWORK_LINK_SLOW.look_next, ONE_FLOW) if is_member else NETWORK_LINK_SLOW.look_next,
    )


# --- bond-incomplete ---------------------------------------------------------------------------------------------


def _judge_incomplete(build: Build | None, snapshot: Snapshot, _past: Past) -> Iterator[Finding]:
    plans = build.bond if build else ()
    if plans and isinstance(snapshot.bonds, Unread):
        names = ", ".join(plan.name for plan in plans)
        yield _unverified(INCOMPLETE, names, "bonds", snapshot.bonds)
        return
    for plan in plans:
        found = () if isinstance(snapshot.bonds, Unread) else snapshot.bonds
        bond = next((one for one in found if one.name == plan.name), None)
        if bond is None:
            yield _incomplete(plan, ["it is not there"], {})
            continue
        told = list(_find_faults(plan, bond))
        faults = [fault for fault in told if not isinstance(fault, Unread)]
        gaps = [gap for gap in told if isinstance(gap, Unread)]
        if faults:
            evidence = {
                "mode": str(bond.mode),
                "aggregated_ports": _plain(bond.aggregated_ports),
                "partner_mac": _plain(bond.partner_mac),
                "transmit_hash": _plain(bond.transmit_hash),
                "members": {one.name: str(one.mii_status) for one in bond.members},
            }
            yield _incomplete(plan, faults, evidence)
        elif gaps:
            yield _unverified(INCOMPLETE, plan.name, plan.name, gaps[0])


def _plain(value: object) -> object:
    return str(value) if isinstance(value, Unread) else value


def _find_faults(plan: DeclaredBond, bond: Bond) -> Iterator[str | Unread]:
    """Give all that keeps a bond from being whole.

    Source: Documentation/networking/bonding.rst: members up, in the active aggregator, with a partner that answers.
    """
    if plan.mode is not None:
        mode = bond.mode
        if isinstance(mode, Unread):
            yield mode
        elif mode.split()[:1] != [plan.mode]:
            yield f"its mode is {mode}, declared {plan.mode}"
    by_name = {one.name: one for one in bond.members}
    for name in plan.members:
        if name not in by_name:
            yield f"{name} is not a member"
    members = [by_name[name] for name in plan.members if name in by_name] or list(bond.members)
    yield from _find_down(members)
    mode = plan.mode or (bond.mode if isinstance(bond.mode, str) else "")
    if mode.split()[:1] == [_LACP]:
        yield from _find_apart(bond, members)


def _find_down(members: list[BondMember]) -> Iterator[str | Unread]:
    for member in members:
        if isinstance(member.mii_status, Unread):
            yield member.mii_status
        elif member.mii_status != "up":
            yield f"{member.name} is {member.mii_status}"


def _find_apart(bond: Bond, members: list[BondMember]) -> Iterator[str | Unread]:
    """Find members that are up but carry nothing together with the others."""
    partner, active = bond.partner_mac, bond.active_aggregator
    if partner == _NOBODY:
        yield "the far side does not answer (partner address all zeros), so nothing bonds"
    elif isinstance(partner, Unread):
        yield partner
    if isinstance(active, Unread):
        yield active
        return
    up = [one for one in members if one.mii_status == "up"]
    ids = {one.aggregator_id for one in up if isinstance(one.aggregator_id, int)}
    if active is None and len(ids) > 1:
        yield f"its members are in different aggregators, {', '.join(map(str, sorted(ids)))}"
    for member in up:
        number = member.aggregator_id
        if number is None:
            yield Unread(f"aggregator of {member.name}", "the kernel tells none", Reason.ABSENT)
        elif isinstance(number, Unread):
            yield number
        elif active is not None and number != active:
            yield f"{member.name} is up but in aggregator {number}, not in the active one, {active}"


def _incomplete(plan: DeclaredBond, faults: list[str], evidence: dict[str, object]) -> Finding:
    declared = ", ".join(one for one in (plan.mode, *plan.members) if one)
    return Finding(
        rule=INCOMPLETE,
        kind=Kind.DIFFERS,
        severity=Severity.WARNING,
        subject=plan.name,
        key=plan.name,
        summary=f"bond {plan.name} is not whole: {'; '.join(faults)}; declared {declared or 'as there'}",
        declared=declared or None,
        observed="; ".join(faults),
        evidence=evidence,
        next_steps=BOND_INCOMPLETE.look_next,
    )


def _unverified(rule: str, subject: str, key: str, gap: Unread) -> Finding:
    return Finding(
        rule=rule,
        kind=Kind.UNVERIFIED,
        severity=Severity.NOTICE,
        subject=subject,
        key=key,
        summary=f"{subject} could not be verified: {gap}",
        evidence={"unread": str(gap)},
        next_steps=("Run the audit as the service does, or as root.",),
    )


# --- the rules --------------------------------------------------------------------------------------------------------

_BUILD = """
schema = 1
box.name = "kelp-1"
bond = [{ name = "bond0", mode = "802.3ad", members = ["wan0", "wan1"], member_speed_mbit_s = 10000 }]
"""


def _box(speed: int = 10_000, **bond: object) -> Snapshot:
    box = Box().with_port("0000:00/1c.0").with_network("0000:00/1c.0", "wan0", speed=10_000)
    box.with_port("0000:00/1c.1").with_network("0000:00/1c.1", "wan1", speed=speed)
    made = make_bond("bond0", ("wan0", "wan1"), **bond)
    return box.with_group(bonds=(made,)).snapshot()


NETWORK_LINK_SLOW = Rule(
    name=SLOW,
    kind=Kind.DIFFERS,
    statement="Each network port runs at its declared speed, in full duplex.",
    why="A port that fell back to a lower speed makes the fastest array slow, and nothing but the speed tells of it.",
    look_next=(
        "Try another cable of the right category, and another port of the switch.",
        "See what speeds both sides offer ('ethtool NAME'), and whether one was fixed by hand.",
    ),
    judge=_judge_slow,
    examples=(
        Example(says="both ports run at 10 Gbit/s", build=_BUILD, snapshot=_box, expect=()),
        Example(
            says="one port fell back to 1 Gbit/s",
            build=_BUILD,
            snapshot=lambda: _box(speed=1000),
            expect=(Kind.DIFFERS,),
        ),
    ),
    sources=("Linux Documentation/ABI/testing/sysfs-class-net: speed, duplex",),
)

BOND_INCOMPLETE = Rule(
    name=INCOMPLETE,
    kind=Kind.DIFFERS,
    statement="Each declared bond has all its members up and carrying together.",
    why=(
        "Members can all be up while only one carries: the far side is not set up for it, or not on these ports. Even "
        "a whole bond gives one flow no more than one member's speed: the transmit hash keeps each flow on one."
    ),
    look_next=(
        "Read /proc/net/bonding/NAME: each member up, the same aggregator, a partner address that is not all zeros.",
        (
            "See that the switch has the same ports in one group and speaks LACP on it; a fixed group on one side is "
            "not enough."
        ),
        ONE_FLOW + " Only several flows together carry more, and all of them only if the hash spreads them.",
    ),
    judge=_judge_incomplete,
    examples=(
        Example(says="both members up, one aggregator, a partner", build=_BUILD, snapshot=_box, expect=()),
        Example(
            says="both members up, but no partner on the far side",
            build=_BUILD,
            snapshot=lambda: _box(partner_mac=_NOBODY, aggregated_ports=1),
            expect=(Kind.DIFFERS,),
        ),
    ),
    sources=("Linux Documentation/networking/bonding.rst",),
)
