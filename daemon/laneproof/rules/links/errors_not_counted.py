"""errors-not-counted: links whose errors nobody would see. Blind is not clean, and no sign of failure either."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from laneproof.advice import FIRMWARE_SETUP, advise
from laneproof.declaration.kernel_words import is_aspm_off
from laneproof.findings import Finding, Kind
from laneproof.past.error_reporting import BLIND, Reporting, find_reporting
from laneproof.rules.rule import Pass, Rule, holds, unverified
from laneproof_collectors.snapshot import KernelPower, Setting, Snapshot
from laneproof_collectors.unread import Reason, Unread, if_read

_WHOLE_BOX = "error reporting"
STATE_WORDS = {
    Reporting.MASKED: "masked (the end keeps its receiver errors to itself)",
    Reporting.OFF: "switched off (Device Control)",
    Reporting.NOT_OWNED: "not counted by the kernel",
    Reporting.NO_CAPABILITY: "not possible (no error reporting capability)",
    Reporting.UNKNOWN: "not known",
    Reporting.COUNTED: "counted",
}
_WHAT_REMAINS = (
    "Where it cannot be had, nothing counts the errors of these links: how they train, whether drives drop, and the "
    "drives' own counters still show a way that fails."
)
_ASPM_OFF = "pcie_aspm=off"
_KEEP_AWAKE = "and put pcie_aspm.policy=performance there: it keeps the links awake, and leaves error reporting on."
_Ends = tuple[Reporting, Reporting]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Blindness:
    """Why errors are not counted, and what to do about it."""

    why: str
    origin: str
    steps: tuple[str, ...]


def _judge(current: Pass) -> Iterator[Finding]:
    """Say where a declared position's link could be watched and is not; undeclared links are nobody's plan."""
    ends = {
        placement.label: (find_reporting(placement.link.port), find_reporting(placement.link.device))
        for placement in current.arrangement.placements
        if placement.is_occupied and placement.link is not None
    }
    reason = _find_reason(current.snapshot)
    if reason is not None:
        is_by_word = reason.origin == "command-line"
        labels = [label for label, states in ends.items() if _is_blind(states) or (is_by_word and _may_report(states))]
        if labels:
            yield _report(labels, reason, key=_WHOLE_BOX)
        return
    masked: dict[_Ends, list[str]] = {}
    for label, states in ends.items():
        if _is_blind(states) and Reporting.MASKED in states:
            masked.setdefault(states, []).append(label)
    for (port, device), labels in masked.items():
        yield _report(labels, _describe_masked(port, device), key=f"masked: port {port}, device {device}")


def _is_blind(states: _Ends) -> bool:
    return Reporting.COUNTED not in states and any(state in BLIND for state in states)


def _may_report(states: _Ends) -> bool:
    """Whether an end is not known to lack the capability.

    Under pci=noaer the counters are still there, and stay at zero (drivers/pci/pcie/aer.c, ``pci_aer_init``).
    """
    return any(state is not Reporting.NO_CAPABILITY for state in states)


def find_aer_owner(snapshot: Snapshot) -> Setting | None:
    """Give who handles error reporting, kernel or firmware; None where that is not known."""
    owner = snapshot.power.aer_owner if isinstance(snapshot.power, KernelPower) else None
    return owner if isinstance(owner, Setting) else None


def _find_reason(snapshot: Snapshot) -> _Blindness | None:
    """Find what keeps the kernel from counting in the whole box; None where nothing does, or where it is not known."""
    owner, word = find_aer_owner(snapshot), _find_word(snapshot)
    if owner is not None and owner.value == "os":
        return None
    if word is not None:
        step = f"Take {word} off the kernel's command line, "
        step += _KEEP_AWAKE if word == _ASPM_OFF else "unless somebody had a reason for it."
        why = f"nobody counts them, since the kernel's command line has {word}"
        return _Blindness(why=why, origin="command-line", steps=(step,))
    if owner is not None and owner.value == "off":
        step = "See whether the board's firmware setup can hand PCIe error reporting (AER) to the operating system. "
        steps = (step + FIRMWARE_SETUP, _WHAT_REMAINS)
        return _Blindness(why="nobody counts them, the firmware keeps them to itself", origin="firmware", steps=steps)
    return None


def _find_word(snapshot: Snapshot) -> str | None:
    """Find the word that switches counting off.

    Source: Linux drivers/pci/pcie/aer.c, ``pci_no_aer``; portdrv.c, ``pcie_port_setup``; drivers/acpi/pci_root.c, where
        pcie_aspm=off leaves all control with the firmware.
    """
    power = snapshot.power
    words = power.command_line if isinstance(power, KernelPower) else ()
    for word in if_read(words):
        name, _, value = word.partition("=")
        if name == "pci" and "noaer" in value.split(","):
            return "pci=noaer"
        if name == "pcie_ports" and value.startswith("compat"):
            return "pcie_ports=compat"
        if is_aspm_off(word):
            return _ASPM_OFF
    return None


def _describe_masked(port: Reporting, device: Reporting) -> _Blindness:
    steps = (
        "Find who masks them: the board's firmware, or a script that writes registers. See whether the firmware setup "
        "can hand PCIe error reporting (AER) to the operating system. " + FIRMWARE_SETUP,
        _WHAT_REMAINS,
    )
    why = f"nobody counts them: at the port {STATE_WORDS[port]}, at the device {STATE_WORDS[device]}"
    return _Blindness(why=why, origin="masked", steps=steps)


def _report(labels: Sequence[str], reason: _Blindness, *, key: str) -> Finding:
    """Say it once for all positions that share the reason."""
    return ERRORS_NOT_COUNTED.report_unverified(
        Unread(f"the errors of {', '.join(labels)}", reason.why, Reason.ABSENT),
        about=f"correctable errors of {', '.join(labels)}",
        why=reason.why,
        key=key,
        subject=_WHOLE_BOX,
        evidence={"positions": list(labels), "origin": reason.origin},
        next_steps=reason.steps,
    )


ERRORS_NOT_COUNTED = Rule(
    name="errors-not-counted",
    kind=Kind.UNVERIFIED,
    statement="Errors of each declared link that can report them are counted.",
    why=(
        "A link whose errors nobody counts looks clean whatever happens on it. Only ends that could report and are "
        "kept from it are reported: masked, switched off on the kernel's command line, or kept back by the firmware; "
        "all that share a reason in one finding. A link without the capability, and a box that shows nothing of it, "
        "are left alone; neither is called clean."
    ),
    next_steps=advise(
        "Look for pci=noaer, pcie_ports=compat and pcie_aspm=off on the kernel's command line: each gives it up.",
        "See whether the board's firmware setup can hand PCIe error reporting (AER) to the operating system.",
        FIRMWARE_SETUP,
    ),
    judge=_judge,
    examples=(
        holds("both ends count"),
        unverified(
            "the kernel was asked not to handle errors",
            "correctable errors of riser-1 could not be verified: nobody counts them, since the kernel's "
            "command line has pci=noaer",
        ),
        unverified(
            "receiver errors are masked at both ends",
            "correctable errors of riser-1 could not be verified: nobody counts them: at the port masked (the "
            "end keeps its receiver errors to itself), at the device masked (the end keeps its receiver errors "
            "to itself)",
        ),
    ),
    sources=(
        "Linux drivers/pci/pcie/aer.c, portdrv.c, drivers/acpi/pci_root.c: who owns error reporting",
        "PCI Express Base Specification: Correctable Error Mask (pci_regs.h, PCI_ERR_COR_MASK)",
    ),
)
