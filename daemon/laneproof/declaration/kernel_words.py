"""The kernel's own words for an array's level and a bond's mode, as people write them, and one that does harm."""

import re

from laneproof.declaration.quoting import quote_value
from laneproof.declaration.raid_levels import LEVELS

_MD_LEVELS = ("linear", *LEVELS)
_OTHER_LEVELS = ("single", "dup", "raid1c3", "raid1c4", "mirror", "raidz1", "raidz2", "raidz3")
"""Profiles of btrfs, mkfs.btrfs(8), and kinds of vdev of OpenZFS, zpoolconcepts(7) (both from memory)."""
BOND_MODES = (
    "balance-rr", "active-backup", "balance-xor", "broadcast", "802.3ad", "balance-tlb", "balance-alb",
)  # fmt: skip
"""By number. Source: kernel Documentation/networking/bonding.rst, mode."""

ASPM_OFF_COSTS = (
    "pcie_aspm=off also makes the kernel give up error reporting (AER) and native hot plug on boards with ACPI, and"
    " leaves link power states as the firmware set them: pcie_aspm.policy=performance switches them off and keeps both"
)
"""Source: kernel drivers/acpi/pci_root.c, os_control_query_checks ("not requesting OS control");
drivers/pci/pcie/aspm.c, pcie_aspm_disable. Seen on a real kernel: no AER counter was left."""

_NUMBER = re.compile(r"(?:raid)?[ _-]*(\d+)")


def parse_level(text: object) -> object:
    """Parse an array's level.

    Args:
        text: As people write it: ``raid5``, ``RAID 5``, ``5``; two btrfs profiles may be joined by ``+``.

    Returns:
        The kernel's own word; what is no text as it is, for the model to refuse.

    Raises:
        ValueError: It is no level.
    """
    if not isinstance(text, str):
        return text
    levels = [_parse_one_level(word) for word in text.strip().lower().split("+")]
    if None in levels:
        known = ", ".join((*_MD_LEVELS, *_OTHER_LEVELS))
        raise ValueError(f"{quote_value(text)} is no level of an array; it can be {known}")
    return "+".join(level for level in levels if level)


def is_aspm_off(word: str) -> bool:
    """Whether a word of the kernel's command line is ``pcie_aspm=off``; the kernel takes - for _ in a name."""
    name, _, value = word.partition("=")
    return (name.replace("-", "_"), value) == ("pcie_aspm", "off")


def _parse_one_level(word: str) -> str | None:
    number = _NUMBER.fullmatch(word)
    level = f"raid{number[1]}" if number else word
    return level if level in (*_MD_LEVELS, *_OTHER_LEVELS) else None


def parse_bond_mode(text: object) -> object:
    """Parse a bond's mode.

    Args:
        text: The kernel's word, its number, or both as sysfs has them: ``802.3ad``, ``4``, ``802.3ad 4``.

    Returns:
        The kernel's word; what is no text as it is, for the model to refuse.

    Raises:
        ValueError: It is no mode.
    """
    if not isinstance(text, str):
        return text
    word, _, number = text.strip().partition(" ")
    numbers = {str(at): mode for at, mode in enumerate(BOND_MODES)}
    mode = numbers.get(word, word)
    if mode not in BOND_MODES or (number and numbers.get(number.strip()) != mode):
        raise ValueError(f"{quote_value(text)} is no mode of a bond; it can be {', '.join(BOND_MODES)}")
    return mode
