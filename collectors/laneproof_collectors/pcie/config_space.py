"""Configuration space of a PCI Express function: where its capabilities lie, and what is read of them.

Rules of this module: the space is read by ranges, the first 256 bytes and then each extended capability on the way to
the one wanted, never whole; pointers lead nowhere twice; a function that reads all ones is gone, not fast. Only whoever
may (CAP_SYS_ADMIN) is given more than the 64 byte header, and a short read is how the kernel says so. What it does not
do: it asks no function that sleeps, which is for the caller to know; what the link's registers say stands in
`link_registers`.

Source of all names and numbers that begin with ``PCI_``: Linux include/uapi/linux/pci_regs.h.
"""

import struct
from collections.abc import MutableMapping, Sequence
from dataclasses import dataclass, field

from laneproof_collectors.host import Host
from laneproof_collectors.pcie.link_registers import EXPRESS_BYTES, parse_express
from laneproof_collectors.snapshot import ExpressRegisters
from laneproof_collectors.unread import Reason, Unread

PCI_CFG_SPACE_SIZE = 256
PCI_STD_HEADER_SIZEOF = 64
PCI_STATUS = 0x06
PCI_STATUS_CAP_LIST = 0x10
PCI_CAPABILITY_LIST = 0x34
PCI_CAP_LIST_NEXT = 1
PCI_CAP_ID_EXP = 0x10
PCI_EXT_CAP_ID_ERR = 0x01

_HEADER_LENGTHS = (PCI_STD_HEADER_SIZEOF, 128)  # what the kernel gives anyone; 128 for a CardBus bridge (pci-sysfs.c)
_ALL_ONES = b"\xff" * PCI_STD_HEADER_SIZEOF
_MOST_CAPABILITIES = 48  # drivers/pci/pci.c, PCI_FIND_CAP_TTL
_MOST_EXTENDED = 96  # far beyond any device's; 480 would fit (drivers/pci/pci.c, pci_find_next_ext_capability)

# AER from its header to PCI_ERR_COR_MASK (0x14).
_AER = struct.Struct("<20xI")
_EXTENDED_HEADER_BYTES = 4


@dataclass(frozen=True, slots=True, kw_only=True)
class ConfigRegisters:
    """What configuration space said of one function; `answers` is ``None`` where not even the header could be read."""

    express: ExpressRegisters | Unread | None
    aer: int | Unread | None
    answers: bool | None


FunctionKey = tuple[str, int, int]
"""A function as far as its layout goes: address, vendor id, device id."""

AerOffsets = MutableMapping[FunctionKey, int | None]
"""Where AER lies, None where a function has none; kept from pass to pass, so that the way there is walked once."""


def find_capability(config: bytes, capability: int) -> int | None:
    """Walk the capability list in the first 256 bytes of configuration space, or fewer.

    Returns:
        The offset of the capability with that id; None where the list ends, loops or leaves the bytes without it.
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


def parse_aer_mask(raw: bytes, *, what: str) -> int | Unread:
    """Parse the AER capability from its header on, 24 bytes.

    Returns:
        The correctable errors that it masks, or why that is not known.
    """
    if len(raw) < _AER.size:
        return Unread(what, f"the error reporting capability is cut off after {len(raw)} bytes")
    return int(_AER.unpack_from(raw)[0])


def read_config_registers(
    host: Host, functions: Sequence[tuple[str, FunctionKey | None]], aer_offsets: AerOffsets
) -> list[ConfigRegisters]:
    """Read the registers of functions that have a link and are awake, by their canonical folders and their keys.

    Without a key nothing is remembered of a function; where AER is found now is added to where it was found before.

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
        return parse_express(raw[offset : offset + EXPRESS_BYTES], what=config), True
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
    aer: int | Unread | None = None


def _follow(host: Host, waiting: Sequence[_Walk], aer_offsets: AerOffsets) -> None:
    """Walk all chains at the same time, one batch for a step of each."""
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
        walk.aer = parse_aer_mask(raw, what=walk.config)
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
