"""The link, slot and error reporting registers of a function: its PCI Express capability, decoded.

Source of all names and numbers that begin with ``PCI_``: Linux include/uapi/linux/pci_regs.h.
"""

import struct
from dataclasses import replace
from functools import lru_cache

from laneproof_collectors.snapshot import ExpressRegisters, LinkRegisters, SlotRegisters
from laneproof_collectors.unread import Unread

PCI_EXP_FLAGS_VERS = 0x000F
PCI_EXP_FLAGS_TYPE = 0x00F0
PCI_EXP_FLAGS_SLOT = 0x0100
PCI_EXP_TYPE_ROOT_PORT = 0x4
PCI_EXP_TYPE_DOWNSTREAM = 0x6
PCI_EXP_TYPE_PCIE_BRIDGE = 0x8
PCI_EXP_TYPE_RC_END = 0x9
PCI_EXP_TYPE_RC_EC = 0xA
PCI_EXP_DEVCTL_CERE = 0x0001
PCI_EXP_LNKCAP_SLS = 0x0000000F
PCI_EXP_LNKCAP_MLW = 0x000003F0
PCI_EXP_LNKCAP_ASPMS = 0x00000C00
PCI_EXP_LNKCTL_ASPMC = 0x0003
PCI_EXP_LNKSTA_CLS = 0x000F
PCI_EXP_LNKSTA_NLW = 0x03F0
PCI_EXP_LNKSTA_LBMS = 0x4000
PCI_EXP_LNKSTA_LABS = 0x8000
PCI_EXP_LNKCTL2_TLS = 0x000F
PCI_EXP_SLTCAP_HPC = 0x00000040
PCI_EXP_SLTCAP_PSN = 0xFFF80000

RATES_GT_S = (2.5, 5.0, 8.0, 16.0, 32.0, 64.0)
"""Transfer rates by their code less one (``PCI_EXP_LNKCAP_SLS_2_5GB`` is 1 ... ``_64_0GB`` is 6)."""

# The PCI Express capability from its id to Link Status 2, PCI_EXP_FLAGS (0x02) to PCI_EXP_LNKSTA2 (0x32), without Slot
# Control and what stands from Root Control to Device Status 2.
_EXPRESS = struct.Struct("<2xH4xH2xIHHI24xH2x")
EXPRESS_BYTES = _EXPRESS.size
_END_OF_DEVICE, _END_OF_LINK, _END_OF_SLOT = 0x0C, 0x14, 0x1C  # where a version 1 capability may end
_LINKLESS_TYPES = (PCI_EXP_TYPE_RC_END, PCI_EXP_TYPE_RC_EC)
# Slot registers stand in ports that lead down (drivers/pci/access.c, pcie_cap_has_sltctl).
_SLOT_TYPES = (PCI_EXP_TYPE_ROOT_PORT, PCI_EXP_TYPE_DOWNSTREAM, PCI_EXP_TYPE_PCIE_BRIDGE)


def parse_express(raw: bytes, *, what: str) -> ExpressRegisters | Unread:
    """Parse the PCI Express capability from its id on, 52 bytes; one of version 1 may end sooner.

    Returns:
        The registers, or why there are none. A rate code that no standard names is `Unread` by itself.
    """
    registers, all_named = _parse_express(raw)
    if registers is None:
        return Unread(what, f"the PCI Express capability is cut off after {len(raw)} bytes")
    if all_named or (link := registers.link) is None:
        return registers
    named = replace(
        link,
        capable_gt_s=_name(link.capable_gt_s, what),
        trained_gt_s=_name(link.trained_gt_s, what),
        target_gt_s=None if link.target_gt_s is None else _name(link.target_gt_s, what),
    )
    return replace(registers, link=named)


def _name(rate: float | Unread, what: str) -> float | Unread:
    return Unread(f"{rate.what} in {what}", rate.why, rate.reason) if isinstance(rate, Unread) else rate


# Equal registers give the same value: drives of one make, and each function from pass to pass.
@lru_cache(maxsize=2048)
def _parse_express(raw: bytes) -> tuple[ExpressRegisters | None, bool]:
    """Parse the capability; whether every rate code in it has a rate."""
    if len(raw) < _END_OF_DEVICE:
        return None, False
    padded = raw[:EXPRESS_BYTES].ljust(EXPRESS_BYTES, b"\0")
    flags, devctl, lnkcap, lnkctl, lnksta, sltcap, lnkctl2 = _EXPRESS.unpack(padded)
    version, port_type = flags & PCI_EXP_FLAGS_VERS, (flags & PCI_EXP_FLAGS_TYPE) >> 4
    has_link = port_type not in _LINKLESS_TYPES
    has_slot = bool(flags & PCI_EXP_FLAGS_SLOT) and port_type in _SLOT_TYPES
    needed = _END_OF_SLOT if has_slot else _END_OF_LINK if has_link else _END_OF_DEVICE
    if len(raw) < (needed if version < 2 else EXPRESS_BYTES):  # noqa: PLR2004 (version 2 has all registers)
        return None, False
    target = lnkctl2 & PCI_EXP_LNKCTL2_TLS if version >= 2 else 0  # noqa: PLR2004 (likewise)
    link = _parse_link(lnkcap, lnkctl, lnksta, target) if has_link else None
    rates = (link.capable_gt_s, link.trained_gt_s, link.target_gt_s) if link else ()
    registers = ExpressRegisters(
        port_type=port_type,
        slot=SlotRegisters(
            number=(sltcap & PCI_EXP_SLTCAP_PSN) >> 19, hot_plug_capable=bool(sltcap & PCI_EXP_SLTCAP_HPC)
        )
        if has_slot
        else None,
        reports_correctable=bool(devctl & PCI_EXP_DEVCTL_CERE),
        link=link,
    )
    return registers, not any(isinstance(rate, Unread) for rate in rates)


def _parse_link(lnkcap: int, lnkctl: int, lnksta: int, target: int) -> LinkRegisters:
    return LinkRegisters(
        capable_gt_s=_rate(lnkcap & PCI_EXP_LNKCAP_SLS, "Link Capabilities"),
        capable_lanes=(lnkcap & PCI_EXP_LNKCAP_MLW) >> 4,
        trained_gt_s=_rate(lnksta & PCI_EXP_LNKSTA_CLS, "Link Status"),
        trained_lanes=(lnksta & PCI_EXP_LNKSTA_NLW) >> 4,
        # A function that knows one rate only may leave the target 0 (PCI Express Base Specification, Link Control 2).
        target_gt_s=_rate(target, "Link Control 2") if target else None,
        aspm_supported=(lnkcap & PCI_EXP_LNKCAP_ASPMS) >> 10,
        aspm_enabled=lnkctl & PCI_EXP_LNKCTL_ASPMC,
        bandwidth_management_status=bool(lnksta & PCI_EXP_LNKSTA_LBMS),
        autonomous_bandwidth_status=bool(lnksta & PCI_EXP_LNKSTA_LABS),
    )


def _rate(code: int, register: str) -> float | Unread:
    if 1 <= code <= len(RATES_GT_S):
        return RATES_GT_S[code - 1]
    return Unread(register, f"rate code {code} is in no standard" if code else "it holds no rate (code 0)")
