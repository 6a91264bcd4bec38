"""What a box holds, as a value: taken from a snapshot; kept in the audit's JSON and in the history."""

from laneproof.box.inventory.from_snapshot import label_positions, make_inventory
from laneproof.box.inventory.inventory import (
    Inventory,
    KeptArray,
    KeptBond,
    KeptDevice,
    KeptFirmware,
    KeptInterface,
    KeptLink,
    KeptMember,
    KeptMemory,
    KeptModule,
    KeptPort,
    KeptPosition,
    KeptSettings,
)

__all__ = [
    "Inventory",
    "KeptArray",
    "KeptBond",
    "KeptDevice",
    "KeptFirmware",
    "KeptInterface",
    "KeptLink",
    "KeptMember",
    "KeptMemory",
    "KeptModule",
    "KeptPort",
    "KeptPosition",
    "KeptSettings",
    "label_positions",
    "make_inventory",
]
