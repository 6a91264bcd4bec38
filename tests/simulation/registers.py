"""Configuration space laid out from raw register values, for tests that choose every bit themselves.

Offsets are those of Linux include/uapi/linux/pci_regs.h.
"""

import struct
from collections.abc import Sequence
from dataclasses import dataclass

VENDOR, DEVICE = 0xFFF3, 0x4000  # a vendor id that pci.ids gives to nobody


@dataclass(frozen=True, slots=True, kw_only=True)
class ExpressValues:
    """The registers of the PCI Express capability that a link has, as they read."""

    flags: int = 0x0002
    devcap: int = 0
    devctl: int = 0
    devsta: int = 0
    lnkcap: int = 0x00000043  # 8 GT/s, four lanes
    lnkctl: int = 0
    lnksta: int = 0x0043
    sltcap: int = 0
    sltctl: int = 0
    sltsta: int = 0
    lnkcap2: int = 0x0000000E
    lnkctl2: int = 0x0003

    def lay(self, following: int = 0) -> bytes:
        """Lay out the capability, 60 bytes; `following` is the next one's offset."""
        first = struct.pack(
            "<BBHIHHIHHIHH", 0x10, following, self.flags, self.devcap, self.devctl, self.devsta,
            self.lnkcap, self.lnkctl, self.lnksta, self.sltcap, self.sltctl, self.sltsta,
        )  # fmt: skip
        return first + bytes(16) + struct.pack("<IHH", self.lnkcap2, self.lnkctl2, 0) + bytes(8)


def lay_aer(*, status: int = 0, mask: int = 0, correctable_status: int = 0, correctable_mask: int = 0) -> bytes:
    """Lay out what follows the header of the AER capability, to the correctable mask."""
    return struct.pack("<5I", status, mask, 0x00462030, correctable_status, correctable_mask)


def lay_config(
    express: ExpressValues | None = None,
    *,
    express_at: int = 0x70,
    before: Sequence[tuple[int, int]] = ((0x40, 0x01), (0x50, 0x05)),
    extended: Sequence[tuple[int, int, bytes]] = (),
    bridge: bool = False,
    size: int = 4096,
) -> bytes:
    """Lay out configuration space.

    Args:
        express: The PCI Express capability, None for a function without it.
        express_at: Where it stands.
        before: Offset and id of the capabilities that come before it in the list.
        extended: Offset, id and content of each extended capability; the first must stand at 100h.
        bridge: Whether the header is that of a PCI-to-PCI bridge.
        size: How much of it is given.

    Returns:
        The bytes.
    """
    space = bytearray(4096)
    struct.pack_into("<HHHH", space, 0, VENDOR, DEVICE, 0x0406, 0x0010)
    space[0x0A:0x0C] = b"\x04\x06" if bridge else b"\x08\x01"
    space[0x0E] = 1 if bridge else 0
    chain = [*before] + ([(express_at, 0x10)] if express else [])
    offsets = [*[offset for offset, _ in chain], 0]
    space[0x34] = offsets[0]
    for (offset, identity), following in zip(chain, offsets[1:], strict=True):
        space[offset : offset + 2] = bytes((identity, following))
    if express:
        raw = express.lay()
        space[express_at : express_at + len(raw)] = raw
    for number, (offset, identity, content) in enumerate(extended, start=1):
        following = extended[number][0] if number < len(extended) else 0
        struct.pack_into("<I", space, offset, identity | 2 << 16 | following << 20)
        space[offset + 4 : offset + 4 + len(content)] = content
    return bytes(space[:size])
