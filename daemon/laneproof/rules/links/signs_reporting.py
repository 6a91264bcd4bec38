"""errors-not-counted and errors-hidden: links whose errors nobody would see. Blind is not clean."""

from collections.abc import Iterator

from laneproof.box.link_ends import LinkOfTwo
from laneproof.box.placement import Placement, arrange
from laneproof.declaration.build import Build
from laneproof.findings import Finding, Kind, Severity, format_time
from laneproof.past.link_errors import EndState, LinkRecord
from laneproof.past.past import Past
from laneproof.past.reporting import BLIND, Reporting, find_reporting
from laneproof.rules.cautions import FIRMWARE_SETUP
from laneproof.rules.example_past import hiding_past, masked_snapshot, quiet_snapshot, withheld_snapshot
from laneproof.rules.rule import Example, Rule
from laneproof.rules.sign_subjects import Watched, make_sign, watched_links
from laneproof_collectors.snapshot import KernelPower, Setting, Snapshot

BLIND_NAME, HIDDEN_NAME = "errors-not-counted", "errors-hidden"

_WHOLE_BOX = "error reporting"
_STATE_WORDS = {
    Reporting.MASKED: "masked (the end keeps its receiver errors to itself)",
    Reporting.OFF: "switched off (Device Control)",
    Reporting.NOT_OWNED: "not counted by the kernel",
    Reporting.NO_CAPABILITY: "not possible (no error reporting capability)",
    Reporting.UNKNOWN: "not known",
    Reporting.COUNTED: "counted",
}


def _judge_blind(build: Build | None, snapshot: Snapshot, _past: Past) -> Iterator[Finding]:
    """Say where a declared position's link could be watched and is not; undeclared links are nobody's plan."""
    owner = _find_owner(snapshot)
    switched_off = owner is not None and (owner.value, owner.origin) == ("off", "command-line")
    blind = [
        (one, one.link)
        for one in arrange(build, snapshot).placements
        if one.is_occupied
        and one.link is not None
        and (_is_blind(one.link) or (switched_off and _may_report(one.link)))
    ]
    if blind and owner is not None and owner.value == "off":
        yield _tell_box([placement for placement, _ in blind], owner)
        return
    for placement, link in blind:
        if Reporting.MASKED in (find_reporting(link.port), find_reporting(link.device)):
            yield _tell_position(placement, link)


def _is_blind(link: LinkOfTwo) -> bool:
    states = (find_reporting(link.port), find_reporting(link.device))
    return Reporting.COUNTED not in states and any(one in BLIND for one in states)


def _may_report(link: LinkOfTwo) -> bool:
    """Whether an end is not known to lack the capability.

    Under pci=noaer the counters are still there, and stay at zero (drivers/pci/pcie/aer.c, ``pci_aer_init``).
    """
    states = (find_reporting(link.port), find_reporting(link.device))
    return any(one is not Reporting.NO_CAPABILITY for one in states)


def _find_owner(snapshot: Snapshot) -> Setting | None:
    power = snapshot.power
    owner = power.aer_owner if isinstance(power, KernelPower) else None
    return owner if isinstance(owner, Setting) else None


def _tell_box(placements: list[Placement], owner: Setting) -> Finding:
    labels = [one.label for one in placements]
    who = "the kernel's command line switches it off" if owner.origin == "command-line" else "the firmware keeps it"
    return Finding(
        rule=BLIND_NAME,
        kind=Kind.SIGN,
        severity=Severity.NOTICE,
        subject=_WHOLE_BOX,
        key=_WHOLE_BOX,
        summary=f"correctable errors of {', '.join(labels)} are not counted: {who}",
        observed=f"error reporting off ({owner.origin})",
        evidence={"positions": labels, "origin": owner.origin},
        next_steps=ERRORS_NOT_COUNTED.look_next,
    )


def _tell_position(placement: Placement, link: LinkOfTwo) -> Finding:
    port, device = find_reporting(link.port), find_reporting(link.device)
    return Finding(
        rule=BLIND_NAME,
        kind=Kind.SIGN,
        severity=Severity.NOTICE,
        position=placement.label,
        subject=link.address,
        key=placement.position.path,
        summary=(
            f"correctable errors of {placement.label} are not counted: at the port {_STATE_WORDS[port]}, at the device "
            f"{_STATE_WORDS[device]}"
        ),
        observed="errors not counted at either end",
        evidence={"path": placement.position.path, "port": str(port), "device": str(device)},
        next_steps=ERRORS_NOT_COUNTED.look_next,
    )


def _judge_hidden(build: Build | None, snapshot: Snapshot, past: Past) -> Iterator[Finding]:
    ledger, owner = past.ledger, _find_owner(snapshot)
    if owner is not None and owner.value == "off":
        return  # told for the whole box as not counted
    for place, record in () if ledger is None else watched_links(build, snapshot, ledger):
        if ledger is None:
            continue
        hidden = [(name, end) for name, end in _ends(record) if end.present and end.hidden_since is not None]
        if hidden:
            at = format_time(ledger.timeline.to_wall(min(end.hidden_since or 0.0 for _, end in hidden)))
            yield _tell_hidden(place, hidden, at)


def _ends(record: LinkRecord) -> tuple[tuple[str, EndState], ...]:
    return ("the port", record.port), ("the device", record.far)


def _tell_hidden(place: Watched, hidden: list[tuple[str, EndState]], at: str) -> Finding:
    said = " and ".join(f"at {name} {_STATE_WORDS[end.reporting]}" for name, end in hidden)
    return make_sign(
        HIDDEN_NAME,
        place,
        severity=Severity.NOTICE,
        summary=f"correctable errors of {place.name} were counted and are not any more, since {at}: {said}",
        observed="errors no longer counted",
        evidence={"since": at, "ends": {name: str(end.reporting) for name, end in hidden}},
        next_steps=ERRORS_HIDDEN.look_next,
    )


_BUILD = """
schema = 1
box.name = "kelp-1"
position = [{ label = "riser-1", path = "0000:00/01.1" }]
"""

ERRORS_NOT_COUNTED = Rule(
    name=BLIND_NAME,
    kind=Kind.SIGN,
    statement="Errors of each declared link that can report them are counted.",
    why=(
        "A link whose errors nobody counts looks clean whatever happens on it. Only ends that could report and are "
        "kept from it are told: masked, switched off on the kernel's command line, or kept back by the firmware. A "
        "link without the capability, and a box that shows nothing of it, are left alone; neither is called clean. "
        "The sign clears when errors are counted."
    ),
    look_next=(
        "Take pci=noaer and pcie_ports=compat off the kernel's command line, if they are there.",
        "See whether the firmware setup can hand error reporting to the operating system.",
        FIRMWARE_SETUP,
    ),
    judge=_judge_blind,
    examples=(
        Example(says="both ends count", build=_BUILD, snapshot=quiet_snapshot, expect=()),
        Example(
            says="the kernel was told not to handle errors",
            build=_BUILD,
            snapshot=withheld_snapshot,
            expect=(Kind.SIGN,),
        ),
        Example(
            says="receiver errors are masked at both ends", build=_BUILD, snapshot=masked_snapshot, expect=(Kind.SIGN,)
        ),
    ),
    sources=(
        "Linux drivers/pci/pcie/aer.c, portdrv.c: who owns error reporting",
        "PCI Express Base Specification: Correctable Error Mask (pci_regs.h, PCI_ERR_COR_MASK)",
    ),
)
ERRORS_HIDDEN = Rule(
    name=HIDDEN_NAME,
    kind=Kind.SIGN,
    statement="Errors that were counted are still counted.",
    why=(
        "Somebody who is bothered by error reports in the log can switch them off, and the errors go on. An end that "
        "counted its errors and now masks or no longer reports them is told, whoever did it: an update of the "
        "firmware, a word on the kernel's command line, a script. The sign clears when errors are counted again."
    ),
    look_next=(
        "See what changed then: the kernel's command line, the board's firmware, a script that writes registers.",
        "Switch reporting on again, and look at the errors instead.",
    ),
    judge=_judge_hidden,
    examples=(
        Example(says="both ends count as before", build=_BUILD, snapshot=quiet_snapshot, expect=()),
        Example(
            says="the drive's end masks its receiver errors since yesterday",
            build=_BUILD,
            snapshot=masked_snapshot,
            make_past=hiding_past,
            expect=(Kind.SIGN,),
        ),
    ),
    sources=("PCI Express Base Specification: Correctable Error Mask, Device Control",),
)
