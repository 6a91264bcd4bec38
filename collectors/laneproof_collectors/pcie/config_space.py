"""Configuration space of a PCI Express function: its capabilities, link, slot and error registers.

Rules of this module: the space is read by ranges, the first 256 bytes and then each extended capability on the way to
the one wanted, never whole; pointers lead nowhere twice; a function that reads all ones is gone, not fast. Only whoever
may (CAP_SYS_ADMIN) is given more than the 64 byte header, and a short read is how the kernel says so. What it does not
do: it asks no function that sleeps, which is for the caller to know.

Source of all names and numbers that begin with ``PCI_``: Linux include/uapi/linux/pci_regs.h.
"""

import struct
from collections.abc import MutableMapping, Sequence
from dataclasses import dataclass, field, replace
from functools import lru_cache

from laneproof_collectors.host import Host
from laneproof_collectors.snapshot import AerRegisters, ExpressRegisters, LinkRegisters, SlotRegisters
from laneproof_collectors.unread import Reason, Unread

PCI_CFG_SPACE_SIZE = 256
PCI_STD_HEADER_SIZEOF = 64
PCI_STATUS = 0x06
PCI_STATUS_CAP_LIST = 0x10
PCI_CAPABILITY_LIST = 0x34
PCI_CAP_LIST_NEXT = 1
PCI_CAP_ID_EXP = 0x10
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
PCI_EXT_CAP_ID_ERR = 0x01

RATES_GT_S = (2.5, 5.0, 8.0, 16.0, 32.0, 64.0)
"""Transfer rates by their code less one (``PCI_EXP_LNKCAP_SLS_2_5GB`` is 1 ... ``_64_0GB`` is 6)."""

_HEADER_LENGTHS = (PCI_STD_HEADER_SIZEOF, 128)  # what the kernel gives anyone; 128 for a CardBus bridge (pci-sysfs.c)
_ALL_ONES = b"\xff" * PCI_STD_HEADER_SIZEOF
_MOST_CAPABILITIES = 48  # drivers/pci/pci.c, PCI_FIND_CAP_TTL
_MOST_EXTENDED = 96  # far beyond any device's; 480 would fit (drivers/pci/pci.c, pci_find_next_ext_capability)

# The PCI Express capability from its id to Link Status 2, PCI_EXP_FLAGS (0x02) to PCI_EXP_LNKSTA2 (0x32), without Slot
# Control and what stands from Root Control to Device Status 2.
_EXPRESS = struct.Struct("<2xH4xH2xIHHI24xH2x")
_END_OF_DEVICE, _END_OF_LINK, _END_OF_SLOT = 0x0C, 0x14, 0x1C  # where a version 1 capability may end
# AER from its header to PCI_ERR_COR_MASK (0x14).
_AER = struct.Struct("<20xI")
_EXTENDED_HEADER_BYTES = 4
_LINKLESS_TYPES = (PCI_EXP_TYPE_RC_END, PCI_EXP_TYPE_RC_EC)
# Slot registers stand in ports that lead down (drivers/pci/access.c, pcie_cap_has_sltctl).
_SLOT_TYPES = (PCI_EXP_TYPE_ROOT_PORT, PCI_EXP_TYPE_DOWNSTREAM, PCI_EXP_TYPE_PCIE_BRIDGE)


@dataclass(frozen=True, slots=True, kw_only=True)
class ConfigRegisters:
    """What configuration space said of one function; `answers` is ``None`` where not even the header could be read."""

    express: ExpressRegisters | Unread | None
    aer: AerRegisters | Unread | None
    answers: bool | None


FunctionKey = tuple[str, int, int]
"""A function as far as its layout goes: address, vendor id, device id."""

AerOffsets = MutableMapping[FunctionKey, int | None]
"""Where AER lies, None where a function has none; kept from pass to pass, so that the way there is walked once."""


def find_capability(config: bytes, capability: int) -> int | None:
    """Walk the capability list.

    Args:
        config: The first 256 bytes of configuration space, or fewer.
        capability: The capability's id.

    Returns:
        Its offset; None where the list ends, loops or leaves the bytes without it.
    """
    if len(config) < PCI_STD_HEADER_SIZEOF or not config[PCI_STATUS] & PCI_STATUS_CAP_LIST:
        return None
    offset = config[PCI_CAPABILITY_LIST] & ~3  # the two low bits are reserved
    for _ in range(_MOST_CAPABILITIES):
        if offset < PCI_STD_HEADER_SIZEOF or offset + PCI_CAP_LIST_NEXT >= len(config):
            return None
        if config[offset] == capability:
            return offset
        offset = config[offset + PCI_CAP_LIST_NEXT] & ~3
    return None


def parse_express(raw: bytes, *, what: str) -> ExpressRegisters | Unread:
    """Parse the PCI Express capability.

    Args:
        raw: The capability from its id on, 52 bytes; one of version 1 may end sooner.
        what: Where it was read, for the sentence that a person will see.

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
    padded = raw[: _EXPRESS.size].ljust(_EXPRESS.size, b"\0")
    flags, devctl, lnkcap, lnkctl, lnksta, sltcap, lnkctl2 = _EXPRESS.unpack(padded)
    version, port_type = flags & PCI_EXP_FLAGS_VERS, (flags & PCI_EXP_FLAGS_TYPE) >> 4
    has_link = port_type not in _LINKLESS_TYPES
    has_slot = bool(flags & PCI_EXP_FLAGS_SLOT) and port_type in _SLOT_TYPES
    needed = _END_OF_SLOT if has_slot else _END_OF_LINK if has_link else _END_OF_DEVICE
    if len(raw) < (needed if version < 2 else _EXPRESS.size):  # noqa: PLR2004 (version 2 has all registers)
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


def parse_aer_registers(raw: bytes, *, what: str) -> AerRegisters | Unread:
    """Parse the AER capability.

    Args:
        raw: The capability from its header on, 24 bytes.
        what: Where it was read, for the sentence that a person will see.

    Returns:
        What it masks, or why that is not known.
    """
    if len(raw) < _AER.size:
        return Unread(what, f"the error reporting capability is cut off after {len(raw)} bytes")
    return AerRegisters(correctable_mask=_AER.unpack_from(raw)[0])


def read_config_registers(
    host: Host, functions: Sequence[tuple[str, FunctionKey | None]], aer_offsets: AerOffsets
) -> list[ConfigRegisters]:
    """Read the registers of functions that have a link and are awake.

    Args:
        host: The machine.
        functions: Each function's folder, canonical, and its key; without a key nothing is remembered of it.
        aer_offsets: Where AER was found before; what is found now is added.

    Returns:
        One answer a function, in order.
    """
    configs = [f"{folder}/config" for folder, _ in functions]
    walks = [_begin(config, key, aer_offsets) for config, (_, key) in zip(configs, functions, strict=True)]
    # The first step along the extended capabilities goes with the first 256 bytes: in most devices it meets AER.
    ranges = [(config, 0, PCI_CFG_SPACE_SIZE) for config in configs]
    answers = host.ranges(ranges + [(walk.config, walk.offset, _AER.size) for walk in walks if walk])
    first_steps = iter(answers[len(configs) :])
    found: list[tuple[ExpressRegisters | Unread, bool | None]] = []
    waiting: list[_Walk] = []
    for raw, config, walk in zip(answers, configs, walks, strict=False):  # the answers go on with the first steps
        express, answers_at_all = _parse_config(raw, config)
        found.append((express, answers_at_all))
        if walk:
            step = next(first_steps)
            if isinstance(express, Unread):
                walk.aer = express
            elif _step(walk, step, aer_offsets):
                waiting.append(walk)
    _follow(host, waiting, aer_offsets)
    return [
        ConfigRegisters(express=express, aer=walk.aer if walk else None, answers=answers_at_all)
        for (express, answers_at_all), walk in zip(found, walks, strict=True)
    ]


def _begin(config: str, key: FunctionKey | None, aer_offsets: AerOffsets) -> "_Walk | None":
    """Begin where AER was found before, or else at the first extended capability; None where there is no AER."""
    offset = aer_offsets.get(key, PCI_CFG_SPACE_SIZE) if key else PCI_CFG_SPACE_SIZE
    return None if offset is None else _Walk(config, key, offset, remembered=offset != PCI_CFG_SPACE_SIZE)


def _parse_config(raw: bytes | Unread, config: str) -> tuple[ExpressRegisters | Unread, bool | None]:
    """Parse what stands in the first 256 bytes: the registers, and whether the function answers at all."""
    if isinstance(raw, Unread):
        return raw, None
    if len(raw) < PCI_STD_HEADER_SIZEOF:
        return Unread(config, f"it ends after {len(raw)} bytes, within the header"), None
    # The whole header: a virtual function's own vendor id reads all ones while it is well.
    if raw.startswith(_ALL_ONES):
        return Unread(config, "it reads all ones: the function does not answer any more", Reason.GONE), False
    offset = find_capability(raw, PCI_CAP_ID_EXP)
    if offset is not None:
        return parse_express(raw[offset : offset + _EXPRESS.size], what=config), True
    if len(raw) in _HEADER_LENGTHS:
        why = f"only its first {len(raw)} bytes were given; the registers beyond need root (CAP_SYS_ADMIN)"
        return Unread(config, why, Reason.DENIED), True
    return Unread(config, "it lists no PCI Express capability, though the kernel knows the function's link"), True


@dataclass(slots=True)
class _Walk:
    """One function's way along its extended capabilities."""

    config: str
    key: FunctionKey | None
    offset: int
    remembered: bool
    seen: set[int] = field(default_factory=lambda: {PCI_CFG_SPACE_SIZE})
    aer: AerRegisters | Unread | None = None


def _follow(host: Host, waiting: Sequence[_Walk], aer_offsets: AerOffsets) -> None:
    """Walk all chains abreast, a batch a step."""
    for _ in range(_MOST_EXTENDED):
        if not waiting:
            return
        answers = host.ranges((walk.config, walk.offset, _AER.size) for walk in waiting)
        waiting = [walk for walk, raw in zip(waiting, answers, strict=True) if _step(walk, raw, aer_offsets)]
    for walk in waiting:
        walk.aer = Unread(walk.config, f"its extended capabilities go on after {_MOST_EXTENDED}")


def _step(walk: _Walk, raw: bytes | Unread, aer_offsets: AerOffsets) -> bool:
    """Take in what stands at a walk's offset; whether it goes on from there."""
    header = 0 if isinstance(raw, Unread) else int.from_bytes(raw[:_EXTENDED_HEADER_BYTES], "little")
    following = header >> 20 & ~3  # PCI_EXT_CAP_NEXT
    if isinstance(raw, Unread):
        walk.aer = raw
    elif len(raw) < _EXTENDED_HEADER_BYTES and walk.offset != PCI_CFG_SPACE_SIZE and not walk.remembered:
        walk.aer = Unread(walk.config, f"it ends before the extended capability at {walk.offset:#x}")
    elif header & 0xFFFF == PCI_EXT_CAP_ID_ERR:
        walk.aer = parse_aer_registers(raw, what=walk.config)
        _remember(walk, aer_offsets, walk.offset)
    elif walk.remembered:  # another function may have come with the same ids: search again
        walk.offset, walk.remembered = PCI_CFG_SPACE_SIZE, False
        return True
    elif header == 0xFFFFFFFF:  # noqa: PLR2004 (all ones)
        walk.aer = Unread(walk.config, f"it reads all ones at {walk.offset:#x}", Reason.GONE)
    elif not following:  # the end; so reads, too, a space that has no extended part
        _remember(walk, aer_offsets, None)
    elif following < PCI_CFG_SPACE_SIZE or following in walk.seen:
        walk.aer = Unread(walk.config, f"the extended capability at {walk.offset:#x} points to {following:#x}")
    else:
        walk.seen.add(following)
        walk.offset = following
        return True
    return False


def _remember(walk: _Walk, aer_offsets: AerOffsets, offset: int | None) -> None:
    if walk.key:
        aer_offsets[walk.key] = offset
