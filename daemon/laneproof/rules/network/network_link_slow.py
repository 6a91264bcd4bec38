"""network-link-slow: network ports against their declared speed."""

from collections.abc import Iterator, Mapping

from laneproof.advice import advise
from laneproof.declaration.build import Build
from laneproof.findings import Finding, Kind, Severity
from laneproof.rules.network.ports import ONE_FLOW
from laneproof.rules.rule import Pass, Rule, differs, holds
from laneproof_collectors.snapshot import Interface
from laneproof_collectors.unread import Reason, Unread, if_read

_DOWN = ("down", "lowerlayerdown", "notpresent", "dormant")  # Documentation/ABI/testing/sysfs-class-net, operstate


def _judge(current: Pass) -> Iterator[Finding]:
    speeds = dict(_declared_speeds(current.build)) if current.build else {}
    if not speeds:
        return
    if isinstance(current.snapshot.interfaces, Unread):
        yield NETWORK_LINK_SLOW.report_unverified(
            current.snapshot.interfaces, about=", ".join(speeds), key="network interfaces"
        )
        return
    by_name = {interface.name: interface for interface in current.snapshot.interfaces}
    members = {name for plan in (current.build.bond if current.build else ()) for name in plan.members}
    bonds = if_read(current.snapshot.bonds)
    down = {member.name for bond in bonds for member in bond.members if member.mii_status != "up"}
    for name, speed in speeds.items():
        interface = by_name.get(name)
        if interface is not None and not (name in members and name in down):
            yield from _judge_interface(interface, speed, is_member=name in members)
        elif interface is not None:
            continue  # a member that is down is reported by its bond
        elif name not in members:  # a missing member is reported by its bond
            yield _slow(name, speed, "no such interface", {}, is_member=False)


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
        why = f"it reports none, though its state is {interface.operational_state}; virtual ports often have no speed"
        yield NETWORK_LINK_SLOW.report_unverified(
            Unread("its speed", why, Reason.ABSENT), about=interface.name, key=interface.name
        )
    elif isinstance(speed, Unread):
        yield NETWORK_LINK_SLOW.report_unverified(speed, about=interface.name, key=interface.name)
    elif speed < declared:
        yield _slow(interface.name, declared, _write(speed), {"speed_mbit_s": speed}, is_member=is_member)
    elif duplex == "half":
        observed = f"{_write(speed)} in half duplex"
        yield _slow(interface.name, declared, observed, {"duplex": "half"}, is_member=is_member)


def _write(mbit_s: int) -> str:
    return f"{mbit_s / 1000:g} Gbit/s" if mbit_s >= 1000 else f"{mbit_s} Mbit/s"  # noqa: PLR2004 (kilo)


def _slow(name: str, declared: int, observed: str, evidence: Mapping[str, object], *, is_member: bool) -> Finding:
    return NETWORK_LINK_SLOW.report(
        severity=Severity.WARNING,
        key=name,
        summary=f"{name} is {observed}, declared {_write(declared)}",
        declared=_write(declared),
        observed=observed,
        evidence={"declared_mbit_s": declared, **evidence},
        next_steps=(*NETWORK_LINK_SLOW.next_steps, ONE_FLOW) if is_member else NETWORK_LINK_SLOW.next_steps,
    )


NETWORK_LINK_SLOW = Rule(
    name="network-link-slow",
    kind=Kind.DIFFERS,
    statement="Each network port runs at its declared speed, in full duplex.",
    why="A port that fell back to a lower speed makes the fastest array slow, and nothing but the speed shows it.",
    next_steps=advise(
        "Try another cable of the right category, and another port of the switch.",
        "See what speeds both sides offer ('ethtool NAME'), and whether one was fixed by hand.",
    ),
    judge=_judge,
    examples=(
        holds("both ports run at 10 Gbit/s"),
        differs("one port fell back to 1 Gbit/s", "wan1 is 1 Gbit/s, declared 10 Gbit/s"),
    ),
    sources=("Linux Documentation/ABI/testing/sysfs-class-net: speed, duplex",),
)
