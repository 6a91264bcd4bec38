"""Mapped devices (encryption, logical volumes): what each is called, and on which disks it lies.

The kernel and file systems speak of errors of ``dm-2`` or ``/dev/mapper/archive``; whose errors they are is known only
below. Source: Documentation/ABI/testing/sysfs-block-dm (``dm/name``); block/holder.c (``slaves``).
"""

import re
from collections.abc import Sequence

from laneproof_collectors.disks.whole_disks import BLOCK_CLASS, find_whole_disk
from laneproof_collectors.host import Host
from laneproof_collectors.snapshot import MappedDevice
from laneproof_collectors.sysfs_attributes import parse_text, read_linked
from laneproof_collectors.unread import Unread

_MAPPED = re.compile(r"dm-\d+")
_STACKED = re.compile(r"(?:dm-|md)\w+")
_DEPTH = 6  # encryption on a volume on an array on partitions is four


def read_mapped(host: Host) -> tuple[MappedDevice, ...] | Unread:
    """Read the mapped devices.

    Returns:
        The devices by name, none where nothing is mapped; or why they could not be listed. A device whose parts could
        not be read has no disks.
    """
    listed = host.folder(BLOCK_CLASS)
    if isinstance(listed, Unread):
        return listed
    names = sorted(filter(_MAPPED.fullmatch, listed))
    labels = [parse_text(raw) for raw in host.files(f"{BLOCK_CLASS}/{name}/dm/name" for name in names)]
    parts = _read_parts(host, names)
    return tuple(
        MappedDevice(
            name=name, label=label if isinstance(label, str) else "", disks=tuple(sorted(_expand(name, parts)))
        )
        for name, label in zip(names, labels, strict=True)
    )


def _read_parts(host: Host, names: Sequence[str]) -> dict[str, tuple[str, ...]]:
    """Read what each device is built of, and what that is built of in turn."""
    parts: dict[str, tuple[str, ...]] = {}
    waiting = list(names)
    for _ in range(_DEPTH):
        for name in waiting:
            below = read_linked(host, f"{BLOCK_CLASS}/{name}/slaves")
            parts[name] = () if isinstance(below, Unread) else tuple(below)
        waiting = sorted({part for some in parts.values() for part in some if _STACKED.fullmatch(part)} - parts.keys())
    return parts


def _expand(name: str, parts: dict[str, tuple[str, ...]], depth: int = _DEPTH) -> set[str]:
    """Give the disks that a device lies on in the end, through all that is stacked between."""
    if name not in parts:
        return {find_whole_disk(name)}
    return {disk for part in parts[name] if depth for disk in _expand(part, parts, depth - 1)}
