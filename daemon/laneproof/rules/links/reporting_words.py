"""Who counts the errors of links, in words."""

from laneproof.past.error_reporting import Reporting
from laneproof_collectors.snapshot import KernelPower, Setting, Snapshot

STATE_WORDS = {
    Reporting.MASKED: "masked (the end keeps its receiver errors to itself)",
    Reporting.OFF: "switched off (Device Control)",
    Reporting.NOT_OWNED: "not counted by the kernel",
    Reporting.NO_CAPABILITY: "not possible (no error reporting capability)",
    Reporting.UNKNOWN: "not known",
    Reporting.COUNTED: "counted",
}


def find_owner(snapshot: Snapshot) -> Setting | None:
    """Give who handles error reporting, kernel or firmware; None where that is not known."""
    power = snapshot.power
    owner = power.aer_owner if isinstance(power, KernelPower) else None
    return owner if isinstance(owner, Setting) else None
