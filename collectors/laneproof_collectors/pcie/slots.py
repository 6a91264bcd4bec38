"""The slots that the kernel names, and the address of each."""

import re

from laneproof_collectors.host import Host
from laneproof_collectors.snapshot import PhysicalSlot
from laneproof_collectors.unread import Unread

SLOTS = "/sys/bus/pci/slots"

_SLOT_ADDRESS = re.compile(rb"([0-9a-f]{4,}:[0-9a-f]{2}:[0-9a-f]{2})\n?")


def read_slots(host: Host) -> tuple[PhysicalSlot, ...] | Unread:
    """Read the slots that the kernel names.

    Whether a card is in one is not asked (``adapter``): the hot-plug driver would wake a sleeping port for it.

    Returns:
        The slots in the order of their names, or why their list could not be read.

    Source: Linux drivers/pci/slot.c, ``pci_slot_default_attrs``; drivers/pci/hotplug/pciehp_hpc.c.
    """
    names = host.folder(SLOTS)
    if isinstance(names, Unread):
        return names
    addresses = host.files(f"{SLOTS}/{name}/address" for name in names)
    return tuple(
        PhysicalSlot(name=name, address=_parse_slot_address(address))
        for name, address in zip(names, addresses, strict=True)
    )


def _parse_slot_address(raw: bytes | Unread) -> str | None:
    # A slot whose device number the firmware does not know yet has a bus only.
    match = None if isinstance(raw, Unread) else _SLOT_ADDRESS.fullmatch(raw)
    return match[1].decode("ascii") if match else None
