"""network-link-flapping: ports whose link comes and goes."""

from collections.abc import Iterator

from laneproof.advice import advise
from laneproof.findings import Finding, Kind, Severity
from laneproof.past.box_record import DAY, key_of
from laneproof.rules.network.ports import find_ports, name_port, steps_for
from laneproof.rules.rule import Pass, Rule, holds, sign
from laneproof_collectors.snapshot import Interface
from laneproof_collectors.unread import Unread

_CHANGES_A_LOSS = 2  # it goes, and it comes back
_LOSSES_A_DAY, _MANY_LOSSES_A_DAY = 2, 10
_LOSSES_A_RESTART = 3
"""A switch that is restarted takes the link away once or a few times, within one hour. Our choice."""
_LOSSES_SINCE_START = 20
"""A first pass: coming up, negotiating and joining a bond change a carrier a few times at each start. Our choice."""


def _judge(current: Pass) -> Iterator[Finding]:
    now = current.snapshot.taken_at
    for port, bond in find_ports(current):
        changes = port.carrier_changes
        if isinstance(changes, Unread):
            yield NETWORK_LINK_FLAPPING.report_unverified(
                changes, about=f"how steady the link of {port.name} is", key=port.name
            )
        if not isinstance(changes, int):
            continue
        key = key_of("interface", port.name, "carrier_changes")
        recent = current.past.box.grown(key, within=DAY, now=now) // _CHANGES_A_LOSS
        ever = changes // _CHANGES_A_LOSS
        is_watched = current.past.box.watched(key, now=now) >= DAY
        hours = current.past.box.hours_grown(key, within=DAY, now=now)
        if recent > _LOSSES_A_RESTART or (recent >= _LOSSES_A_DAY and hours >= _LOSSES_A_DAY):
            severity = Severity.WARNING if recent >= _MANY_LOSSES_A_DAY else Severity.NOTICE
            yield _report_unsteady(port, bond, f"{recent} times in the last day", severity, recent=recent)
        elif ever >= _LOSSES_SINCE_START and not is_watched:
            yield _report_unsteady(port, bond, f"{ever} times since the box found it", Severity.NOTICE, recent=recent)


def _report_unsteady(interface: Interface, bond: str | None, often: str, severity: Severity, *, recent: int) -> Finding:
    return NETWORK_LINK_FLAPPING.report(
        severity=severity,
        key=interface.name,
        summary=f"the link of {name_port(interface, bond)} was lost {often}",
        observed="comes and goes",
        evidence={
            "carrier_changes": interface.carrier_changes if isinstance(interface.carrier_changes, int) else None,
            "losses_last_day": recent,
            "bond": bond,
        },
        next_steps=steps_for(NETWORK_LINK_FLAPPING, bond),
    )


NETWORK_LINK_FLAPPING = Rule(
    name="network-link-flapping",
    kind=Kind.SIGN,
    statement="No network port loses its link again and again.",
    why=(
        "A link that comes and goes breaks transfers and makes bonds move flows about; each time is too short to be "
        "found down when somebody looks."
    ),
    next_steps=advise(
        "Unplug the cable and plug it in again, then replace it; try another port of the switch, and read its log.",
        "See whether it goes with the cable being moved, with the hour, or with heat in the rack.",
        "If only this port does it with every cable, suspect the port or its transceiver.",
    ),
    judge=_judge,
    examples=(
        holds("the link came up at the start and stayed"),
        sign(
            "it was lost four times within a day", "the link of wan0 (member of bond0) was lost 4 times in the last day"
        ),
    ),
    sources=("Linux Documentation/ABI/testing/sysfs-class-net: carrier_changes",),
)
