"""Which whole disk a block device's name stands for: through partitions, and through encrypted or mapped devices.

The kernel forms a partition's name from its disk's, so the name alone is enough; only a mapped device (``dm-``) has to
be followed to what it is made of.
"""

import re
from collections.abc import Iterable

from laneproof_collectors.host import Host
from laneproof_collectors.sysfs_attributes import read_linked
from laneproof_collectors.unread import Unread

BLOCK_CLASS = "/sys/class/block"

# block/genhd.c: after a disk's name that ends in a digit comes p and the number, after another the number alone.
_PARTITION = re.compile(r"(.*\d)p\d+|((?:[shv]|xv)d[a-z]+)\d+")
_MAPPED = re.compile(r"dm-\d+")
_DEPTH = 4  # encryption on a logical volume on a partition is three


def find_whole_disk(name: str) -> str:
    """Find the disk that a partition is on, by name: ``sda`` of ``sda1`` and of ``sda``, ``nvme0n1`` of ``nvme0n1p2``.

    Returns:
        The disk: ``nvme0n1``, ``sda``.
    """
    match = _PARTITION.fullmatch(name)
    return match[1] or match[2] if match else name


def read_whole_disks(host: Host, names: Iterable[str]) -> dict[str, str]:
    """Find the disk under each of some block devices; the machine is asked only about mapped ones.

    Returns:
        The whole disk by name. A mapped device that lies on several, or whose parts cannot be read, stands for itself.
    """
    disks = {name: find_whole_disk(name) for name in names}
    for _ in range(_DEPTH):
        mapped = sorted({disk for disk in disks.values() if _MAPPED.fullmatch(disk)})
        if not mapped:
            break
        below = {disk: read_linked(host, f"{BLOCK_CLASS}/{disk}/slaves") for disk in mapped}
        parts = {
            disk: find_whole_disk(names[0])
            for disk, names in below.items()
            if not isinstance(names, Unread) and len(names) == 1
        }
        if not parts:
            break
        disks = {name: parts.get(disk, disk) for name, disk in disks.items()}
    return disks
