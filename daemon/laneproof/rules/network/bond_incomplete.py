"""bond-incomplete: bonds against their declared mode and members."""

from collections.abc import Iterator, Mapping

from laneproof.advice import advise
from laneproof.declaration.tables import DeclaredBond
from laneproof.findings import Finding, Kind, Severity
from laneproof.rules.network.ports import ONE_FLOW
from laneproof.rules.rule import Pass, Rule, differs, holds
from laneproof_collectors.snapshot import Bond, BondMember
from laneproof_collectors.unread import Reason, Unread, if_read

_LACP = "802.3ad"
_NOBODY = "00:00:00:00:00:00"


def _judge(current: Pass) -> Iterator[Finding]:
    plans = current.build.bond if current.build else ()
    if plans and isinstance(current.snapshot.bonds, Unread):
        names = ", ".join(plan.name for plan in plans)
        yield BOND_INCOMPLETE.report_unverified(current.snapshot.bonds, about=names, key="bonds")
        return
    for plan in plans:
        found = if_read(current.snapshot.bonds)
        bond = next((bond for bond in found if bond.name == plan.name), None)
        if bond is None:
            yield _incomplete(plan, ["it is not there"], {})
            continue
        results = list(_find_faults(plan, bond))
        faults = [fault for fault in results if not isinstance(fault, Unread)]
        gaps = [gap for gap in results if isinstance(gap, Unread)]
        if faults:
            evidence = {
                "mode": bond.mode,
                "aggregated_ports": bond.aggregated_ports,
                "partner_mac": bond.partner_mac,
                "transmit_hash": bond.transmit_hash,
                "members": {member.name: member.mii_status for member in bond.members},
            }
            yield _incomplete(plan, faults, evidence)
        elif gaps:
            yield BOND_INCOMPLETE.report_unverified(gaps[0], about=plan.name, key=plan.name)


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
    by_name = {member.name: member for member in bond.members}
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
    """Find members that are up but do not carry together with the others."""
    partner, active = bond.partner_mac, bond.active_aggregator
    if partner == _NOBODY:
        yield "the far side does not answer (partner address all zeros), so nothing bonds"
    elif isinstance(partner, Unread):
        yield partner
    if isinstance(active, Unread):
        yield active
        return
    up = [member for member in members if member.mii_status == "up"]
    ids = {member.aggregator_id for member in up if isinstance(member.aggregator_id, int)}
    if active is None and len(ids) > 1:
        yield f"its members are in different aggregators, {', '.join(map(str, sorted(ids)))}"
    for member in up:
        number = member.aggregator_id
        if number is None:
            yield Unread(f"aggregator of {member.name}", "the kernel has none", Reason.ABSENT)
        elif isinstance(number, Unread):
            yield number
        elif active is not None and number != active:
            yield f"{member.name} is up but in aggregator {number}, not in the active one, {active}"


def _incomplete(plan: DeclaredBond, faults: list[str], evidence: Mapping[str, object]) -> Finding:
    declared = ", ".join(word for word in (plan.mode, *plan.members) if word)
    return BOND_INCOMPLETE.report(
        severity=Severity.WARNING,
        key=plan.name,
        summary=f"bond {plan.name} is not whole: {'; '.join(faults)}; declared {declared or 'as there'}",
        declared=declared or None,
        observed="; ".join(faults),
        evidence=evidence,
    )


BOND_INCOMPLETE = Rule(
    name="bond-incomplete",
    kind=Kind.DIFFERS,
    statement="Each declared bond has all its members up and carrying together.",
    why=(
        "Members can all be up while only one carries: the far side is not set up for it, or not on these ports. Even "
        "a whole bond gives one flow no more than one member's speed: the transmit hash keeps each flow on one."
    ),
    next_steps=advise(
        "Read /proc/net/bonding/NAME: each member up, the same aggregator, a partner address that is not all zeros.",
        "See that the switch has the same ports in one group and speaks LACP on it; a fixed group on one side is "
        "not enough.",
        ONE_FLOW + " Only several flows together carry more, and all of them only if the hash spreads them.",
    ),
    judge=_judge,
    examples=(
        holds("both members up, one aggregator, a partner"),
        differs(
            "both members up, but no partner on the far side",
            "bond bond0 is not whole: the far side does not answer (partner address all zeros), so nothing "
            "bonds; declared 802.3ad, wan0, wan1",
        ),
    ),
    sources=("Linux Documentation/networking/bonding.rst",),
)
