"""Whether one end of a link counts its errors at all: absent is not zero, and blind is not clean."""

from enum import StrEnum

from laneproof_collectors.snapshot import ExpressRegisters, PciFunction
from laneproof_collectors.unread import Reason, Unread

SIGNAL_BITS = 1 << 0 | 1 << 6 | 1 << 7
"""Receiver error, bad TLP, bad DLLP. Source: pci_regs.h, ``PCI_ERR_COR_RCVR``, ``_BAD_TLP``, ``_BAD_DLLP``."""


class Reporting(StrEnum):
    """What becomes of an end's correctable errors."""

    COUNTED = "counted"
    MASKED = "masked"  # all three of `SIGNAL_BITS` are masked: the end keeps its signal errors to itself
    OFF = "off"  # it is not to report correctable errors (Device Control)
    NOT_OWNED = "not owned"  # it could report, and the kernel does not count
    NO_CAPABILITY = "no capability"
    UNKNOWN = "unknown"


BLIND = (Reporting.MASKED, Reporting.OFF, Reporting.NOT_OWNED)
"""States in which errors could be counted and are not."""


def find_reporting(function: PciFunction | None) -> Reporting:
    """Find what becomes of the correctable errors of one end.

    Source: PCI Express Base Specification, Correctable Error Mask and Device Control (pci_regs.h); Linux
        drivers/pci/pcie/aer.c: counters exist where the capability does, and move where the kernel owns it.
    """
    if function is None:
        return Reporting.UNKNOWN
    mask = function.correctable_mask
    if function.aer is None:
        if isinstance(mask, int):
            return Reporting.NOT_OWNED
        known = isinstance(function.express, ExpressRegisters) and mask is None
        return Reporting.NO_CAPABILITY if known else Reporting.UNKNOWN
    if isinstance(function.aer.correctable, Unread):
        absent = function.aer.correctable.reason is Reason.ABSENT
        return Reporting.NO_CAPABILITY if absent and mask is None else Reporting.UNKNOWN
    return _find_if_enabled(function, mask)


def _find_if_enabled(function: PciFunction, mask: int | Unread | None) -> Reporting:
    if isinstance(mask, int) and mask & SIGNAL_BITS == SIGNAL_BITS:
        return Reporting.MASKED
    is_off = isinstance(function.express, ExpressRegisters) and not function.express.reports_correctable
    return Reporting.OFF if is_off else Reporting.COUNTED
