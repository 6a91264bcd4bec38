"""network-link-flapping and network-errors: ports whose link comes and goes, or that receive what cannot be used.

Counts are the kernel's, since it found the port. A first look knows only these, so it speaks of many; the daemon sees
them grow, and speaks of few. Speed and bonds are ``network_rules.py``'s.
"""

from collections.abc import Iterator

from laneproof.declaration.build import Build
from laneproof.findings import Finding, Kind, Severity
from laneproof.past.box_record import DAY, BoxRecord, Growth, key_of
from laneproof.past.past import Past
from laneproof.rules.cannot_tell import cannot_tell
from laneproof.rules.example_box import A_MORNING, Box
from laneproof.rules.network.network_rules import ONE_FLOW
from laneproof.rules.rule import Example, Rule
from laneproof_collectors.snapshot import Interface, Snapshot
from laneproof_collectors.unread import Unread

UNSTEADY, ERRORS = "network-link-flapping", "network-errors"

_CHANGES_A_LOSS = 2  # it goes, and it comes back
_LOSSES_A_DAY, _MANY_LOSSES_A_DAY = 2, 10
"""One loss in a day may be a switch that was restarted. Judgement."""
_LOSSES_SINCE_START = 20
"""A first look: coming up, negotiating and joining a bond change a carrier a few times at each start. Judgement."""
_ERRORS_A_DAY, _MANY_ERRORS_A_DAY = 10, 1000
_ERRORS_SINCE_START = 1000
"""A sound cable has next to none: 1e-12 of the bits of a busy 10 Gbit/s port is 36 an hour at most, IEEE 802.3's own
ceiling (from memory), and real ones stay far below. Judgement."""


def _judged(build: Build | None, snapshot: Snapshot) -> Iterator[tuple[Interface, str | None]]:
    """Give each port with the bond that it is in, a bond's own interface left out: its members are told."""
    if isinstance(snapshot.interfaces, Unread):
        return  # network-link-slow or reading-incomplete says so
    bonds = () if isinstance(snapshot.bonds, Unread) else snapshot.bonds
    member_of = {member.name: bond.name for bond in bonds for member in bond.members}
    member_of |= {name: plan.name for plan in (build.bond if build else ()) for name in plan.members}
    names = {bond.name for bond in bonds}
    for one in snapshot.interfaces:
        if one.name not in names:
            yield one, member_of.get(one.name)


# --- network-link-flapping --------------------------------------------------------------------------------------------


def _judge_unsteady(build: Build | None, snapshot: Snapshot, past: Past) -> Iterator[Finding]:
    now = snapshot.taken_at
    for one, bond in _judged(build, snapshot):
        changes = one.carrier_changes
        if isinstance(changes, Unread):
            yield cannot_tell(UNSTEADY, changes, about=f"how steady the link of {one.name} is", key=one.name)
        if not isinstance(changes, int):
            continue
        key = key_of("interface", one.name, "carrier_changes")
        lately = past.box.grown(key, within=DAY, now=now) // _CHANGES_A_LOSS
        ever = changes // _CHANGES_A_LOSS
        is_watched = past.box.watched(key, now=now) >= DAY
        if lately >= _LOSSES_A_DAY:
            severity = Severity.WARNING if lately >= _MANY_LOSSES_A_DAY else Severity.NOTICE
            yield _tell_unsteady(one, bond, f"{lately} times in the last day", severity, lately=lately)
        elif ever >= _LOSSES_SINCE_START and not is_watched:
            yield _tell_unsteady(one, bond, f"{ever} times since the box found it", Severity.NOTICE, lately=lately)


def _tell_unsteady(one: Interface, bond: str | None, often: str, severity: Severity, *, lately: int) -> Finding:
    return Finding(
        rule=UNSTEADY,
        kind=Kind.SIGN,
        severity=severity,
        subject=one.name,
        key=one.name,
        summary=f"the link of {_name(one, bond)} was lost {often}",
        observed="comes and goes",
        evidence={
            "carrier_changes": one.carrier_changes if isinstance(one.carrier_changes, int) else None,
            "losses_last_day": lately,
            "bond": bond,
        },
        next_steps=_steps(NETWORK_LINK_FLAPPING, bond),
    )


def _name(one: Interface, bond: str | None) -> str:
    return f"{one.name} (member of {bond})" if bond else one.name


def _steps(rule: Rule, bond: str | None) -> tuple[str, ...]:
    return (*rule.look_next, ONE_FLOW) if bond else rule.look_next


# --- network-errors ---------------------------------------------------------------------------------------------------


def _judge_errors(build: Build | None, snapshot: Snapshot, past: Past) -> Iterator[Finding]:
    now = snapshot.taken_at
    for one, bond in _judged(build, snapshot):
        counts = {"received": one.receive_errors, "sent": one.transmit_errors}
        gap = next((count for count in counts.values() if isinstance(count, Unread)), None)
        told: list[tuple[str, Severity]] = []
        for way, name in (("received", "receive_errors"), ("sent", "transmit_errors")):
            key = key_of("interface", one.name, name)
            lately, ever = past.box.grown(key, within=DAY, now=now), counts[way]
            if lately >= _ERRORS_A_DAY:
                severity = Severity.WARNING if lately >= _MANY_ERRORS_A_DAY else Severity.NOTICE
                told.append((f"{lately} frames {way} with errors in the last day", severity))
            elif isinstance(ever, int) and ever >= _ERRORS_SINCE_START and past.box.watched(key, now=now) < DAY:
                told.append((f"{ever} frames {way} with errors since the box found it", Severity.NOTICE))
        if told:
            yield _tell_errors(one, bond, told)
        elif gap is not None:
            yield cannot_tell(ERRORS, gap, about=f"errors of {one.name}", key=one.name)


def _tell_errors(one: Interface, bond: str | None, told: list[tuple[str, Severity]]) -> Finding:
    return Finding(
        rule=ERRORS,
        kind=Kind.SIGN,
        severity=max((severity for _, severity in told), key=lambda severity: severity.rank),
        subject=one.name,
        key=one.name,
        summary=f"{_name(one, bond)}: {'; '.join(text for text, _ in told)}",
        observed="frames with errors",
        evidence={
            "receive_errors": one.receive_errors if isinstance(one.receive_errors, int) else None,
            "transmit_errors": one.transmit_errors if isinstance(one.transmit_errors, int) else None,
            "bond": bond,
        },
        next_steps=_steps(NETWORK_ERRORS, bond),
    )


# --- the rules --------------------------------------------------------------------------------------------------------

_BUILD = """
schema = 1
box.name = "kelp-1"
bond = [{ name = "bond0", mode = "802.3ad", members = ["wan0", "wan1"] }]
"""


def _box(**facts: object) -> Snapshot:
    box = Box().with_port("0000:00/1c.0").with_network("0000:00/1c.0", "wan0")
    snapshot = box.snapshot()
    port = {"operational_state": "up", "speed_mbit_s": 10_000, "duplex": "full"}
    port |= {"carrier_changes": 2, "receive_errors": 0, "transmit_errors": 0, "name": "wan0", "address": None} | facts
    return box.with_group(interfaces=(Interface(**port),)).snapshot(taken_at=snapshot.taken_at)  # type: ignore[arg-type]


def _grew(counter: str, amount: int) -> Past:
    growth = Growth(since=A_MORNING - 30 * DAY, last=amount, boot_id="", hours=((A_MORNING - 3600.0, amount),))
    return Past(box=BoxRecord(growth={key_of("interface", "wan0", counter): growth}))


NETWORK_LINK_FLAPPING = Rule(
    name=UNSTEADY,
    kind=Kind.SIGN,
    statement="No network port loses its link again and again.",
    why=(
        "A link that comes and goes breaks transfers and makes bonds move flows about; each time is too short to be "
        "found down when somebody looks."
    ),
    look_next=(
        "Plug the cable in anew, then replace it; try another port of the switch, and see what the switch logged.",
        "See whether it goes with the cable being moved, with the hour, or with heat in the rack.",
        "If only this port does it with every cable, suspect the port or its transceiver.",
    ),
    judge=_judge_unsteady,
    examples=(
        Example(says="the link came up at the start and stayed", build=_BUILD, snapshot=_box, expect=()),
        Example(
            says="it was lost four times within a day",
            build=_BUILD,
            snapshot=lambda: _box(carrier_changes=10),
            past=_grew("carrier_changes", 8),
            expect=(Kind.SIGN,),
        ),
    ),
    sources=("Linux Documentation/ABI/testing/sysfs-class-net: carrier_changes",),
)

NETWORK_ERRORS = Rule(
    name=ERRORS,
    kind=Kind.SIGN,
    statement="Network ports receive and send next to no frames with errors.",
    why=(
        "Each broken frame is sent again, if the protocol above does so at all. A worn cable or a dirty connector "
        "shows here long before the link is lost, and as slowness that nobody can explain."
    ),
    look_next=(
        "Clean or replace cable and transceiver, one at a time; look at the same counters of the switch's port.",
        "See which kind it is ('ethtool -S NAME'): checksum errors are the cable's, missed frames the box's own.",
    ),
    judge=_judge_errors,
    examples=(
        Example(says="no errors", build=_BUILD, snapshot=_box, expect=()),
        Example(
            says="a handful since the box was started",
            build=_BUILD,
            snapshot=lambda: _box(receive_errors=3),
            expect=(),
        ),
        Example(
            says="200 frames with errors within a day",
            build=_BUILD,
            snapshot=lambda: _box(receive_errors=200),
            past=_grew("receive_errors", 200),
            expect=(Kind.SIGN,),
        ),
    ),
    sources=("Linux Documentation/ABI/testing/sysfs-class-net-statistics: rx_errors, tx_errors",),
)
