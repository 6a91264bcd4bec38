"""errors-not-counted: links whose errors nobody would see. Blind is not clean."""

from collections.abc import Iterator

from laneproof.advice import FIRMWARE_SETUP, advise
from laneproof.box.link_ends import LinkOfTwo
from laneproof.box.placement import Placement
from laneproof.findings import Finding, Kind, Severity
from laneproof.past.reporting import BLIND, Reporting, find_reporting
from laneproof.rules.example_box import RISER_1
from laneproof.rules.example_past import masked_snapshot, quiet_snapshot, withheld_snapshot
from laneproof.rules.links.reporting_words import STATE_WORDS, find_owner
from laneproof.rules.rule import Example, Pass, Rule
from laneproof_collectors.snapshot import Setting

NAME = "errors-not-counted"
_WHOLE_BOX = "error reporting"


def _judge(current: Pass) -> Iterator[Finding]:
    """Say where a declared position's link could be watched and is not; undeclared links are nobody's plan."""
    owner = find_owner(current.snapshot)
    switched_off = owner is not None and (owner.value, owner.origin) == ("off", "command-line")
    blind = [
        (one, one.link)
        for one in current.arrangement.placements
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


def _tell_box(placements: list[Placement], owner: Setting) -> Finding:
    labels = [one.label for one in placements]
    who = "the kernel's command line switches it off" if owner.origin == "command-line" else "the firmware keeps it"
    return Finding(
        rule=NAME,
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
        rule=NAME,
        kind=Kind.SIGN,
        severity=Severity.NOTICE,
        position=placement.label,
        subject=link.address,
        key=placement.position.path,
        summary=(
            f"correctable errors of {placement.label} are not counted: at the port {STATE_WORDS[port]}, at the device "
            f"{STATE_WORDS[device]}"
        ),
        observed="errors not counted at either end",
        evidence={"path": placement.position.path, "port": str(port), "device": str(device)},
        next_steps=ERRORS_NOT_COUNTED.look_next,
    )


ERRORS_NOT_COUNTED = Rule(
    name=NAME,
    kind=Kind.SIGN,
    statement="Errors of each declared link that can report them are counted.",
    why=(
        "A link whose errors nobody counts looks clean whatever happens on it. Only ends that could report and are "
        "kept from it are told: masked, switched off on the kernel's command line, or kept back by the firmware. A "
        "link without the capability, and a box that shows nothing of it, are left alone; neither is called clean. "
        "The sign clears when errors are counted."
    ),
    look_next=advise(
        "Take pci=noaer and pcie_ports=compat off the kernel's command line, if they are there.",
        "See whether the firmware setup can hand error reporting to the operating system.",
        FIRMWARE_SETUP,
    ),
    judge=_judge,
    examples=(
        Example(says="both ends count", build=RISER_1, snapshot=quiet_snapshot, expect=()),
        Example(
            says="the kernel was told not to handle errors",
            build=RISER_1,
            snapshot=withheld_snapshot,
            expect=(Kind.SIGN,),
        ),
        Example(
            says="receiver errors are masked at both ends", build=RISER_1, snapshot=masked_snapshot, expect=(Kind.SIGN,)
        ),
    ),
    sources=(
        "Linux drivers/pci/pcie/aer.c, portdrv.c: who owns error reporting",
        "PCI Express Base Specification: Correctable Error Mask (pci_regs.h, PCI_ERR_COR_MASK)",
    ),
)
