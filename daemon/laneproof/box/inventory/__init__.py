"""What a box holds, as a value: taken from a snapshot; kept in the audit's JSON and in the history."""

from laneproof.box.inventory.kept import (
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
    KeptPlace,
    KeptPort,
    KeptSettings,
)
from laneproof.box.inventory.taking import label_places, list_shown_paths, take_inventory

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
    "KeptPlace",
    "KeptPort",
    "KeptSettings",
    "label_places",
    "list_shown_paths",
    "take_inventory",
]
