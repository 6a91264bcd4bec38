"""network-errors: ports that receive or send what cannot be used."""

from collections.abc import Iterator

from laneproof.advice import advise
from laneproof.findings import Finding, Kind, Severity
from laneproof.past.box_record import DAY, key_of
from laneproof.rules.network.ports import find_ports, name_port, steps_for
from laneproof.rules.rule import Pass, Rule, holds, sign
from laneproof_collectors.snapshot import Interface
from laneproof_collectors.unread import Unread

_ERRORS_A_DAY, _MANY_ERRORS_A_DAY = 10, 1000
_ERRORS_SINCE_START = 1000
"""A sound cable has next to none: 1e-12 of the bits of a busy 10 Gbit/s port is 36 an hour at most, IEEE 802.3's own
ceiling (from memory), and real ones stay far below. Our choice."""


def _judge(current: Pass) -> Iterator[Finding]:
    now = current.snapshot.taken_at
    for port, bond in find_ports(current):
        counts = {"received": port.receive_errors, "sent": port.transmit_errors}
        gap = next((count for count in counts.values() if isinstance(count, Unread)), None)
        said: list[tuple[str, Severity]] = []
        for way, name in (("received", "receive_errors"), ("sent", "transmit_errors")):
            key = key_of("interface", port.name, name)
            recent, ever = current.past.box.grown(key, within=DAY, now=now), counts[way]
            if recent >= _ERRORS_A_DAY:
                severity = Severity.WARNING if recent >= _MANY_ERRORS_A_DAY else Severity.NOTICE
                said.append((f"{recent} frames {way} with errors in the last day", severity))
            elif isinstance(ever, int) and ever >= _ERRORS_SINCE_START and current.past.box.watched(key, now=now) < DAY:
                said.append((f"{ever} frames {way} with errors since the box found it", Severity.NOTICE))
        if said:
            yield _report_errors(port, bond, said)
        elif gap is not None:
            yield NETWORK_ERRORS.report_unverified(gap, about=f"errors of {port.name}", key=port.name)


def _report_errors(interface: Interface, bond: str | None, said: list[tuple[str, Severity]]) -> Finding:
    return NETWORK_ERRORS.report(
        severity=max((severity for _, severity in said), key=lambda severity: severity.rank),
        key=interface.name,
        summary=f"{name_port(interface, bond)}: {'; '.join(text for text, _ in said)}",
        observed="frames with errors",
        evidence={
            "receive_errors": interface.receive_errors if isinstance(interface.receive_errors, int) else None,
            "transmit_errors": interface.transmit_errors if isinstance(interface.transmit_errors, int) else None,
            "bond": bond,
        },
        next_steps=steps_for(NETWORK_ERRORS, bond),
    )


NETWORK_ERRORS = Rule(
    name="network-errors",
    kind=Kind.SIGN,
    statement="Network ports receive and send next to no frames with errors.",
    why=(
        "Each broken frame is sent again, if the protocol above does so at all. A worn cable or a dirty connector "
        "shows here long before the link is lost, and as slowness that nobody can explain."
    ),
    next_steps=advise(
        "Clean or replace cable and transceiver, one at a time; look at the same counters of the switch's port.",
        "See which kind it is ('ethtool -S NAME'): checksum errors are the cable's, missed frames the box's own.",
    ),
    judge=_judge,
    examples=(
        holds("no errors"),
        holds("a handful since the box was started"),
        sign(
            "200 frames with errors within a day",
            "wan0 (member of bond0): 200 frames received with errors in the last day",
        ),
    ),
    sources=("Linux Documentation/ABI/testing/sysfs-class-net-statistics: rx_errors, tx_errors",),
)
