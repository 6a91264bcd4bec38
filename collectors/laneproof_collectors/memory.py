"""Memory: modules and sockets as SMBIOS lists them, the kernel's total, and the error counts of EDAC."""

import re

from laneproof_collectors.host import Host
from laneproof_collectors.smbios import (
    ARRAY_ERROR_CORRECTION,
    ARRAY_OF_DEVICE,
    ARRAY_USE,
    MEMORY_ARRAY,
    MEMORY_DEVICE,
    SYSTEM_MEMORY,
    find_memory_module,
    read_structures,
)
from laneproof_collectors.snapshot import EdacController, Memory
from laneproof_collectors.sysfs_attributes import parse_integer, read_each
from laneproof_collectors.unread import Unread, if_read

KERNEL_TOTAL = "/proc/meminfo"
EDAC = "/sys/devices/system/edac/mc"

# The first line alone, since the rest of the file changes each time (fs/proc/meminfo.c prints MemTotal first).
_FIRST_LINE_BYTES = 32
_TOTAL = re.compile(rb"MemTotal:\s+(\d{1,20}) kB")
_CONTROLLER = re.compile(r"mc\d+")


def parse_total(raw: bytes | Unread) -> int | Unread:
    r"""Parse the kernel's own total: the beginning of ``/proc/meminfo``, ``b"MemTotal:       65737892 kB\n"``.

    Returns:
        Bytes that the kernel manages (less than the modules hold), or why they are not known.
    """
    if isinstance(raw, Unread):
        return raw
    match = _TOTAL.match(raw)
    return int(match[1]) * 1024 if match else Unread(KERNEL_TOTAL, f"does not begin with a total: {raw[:32]!r}")


def read_memory(host: Host) -> Memory | Unread:
    """Read the memory.

    Returns:
        The memory; `Memory.modules` is `Unread` without SMBIOS or the right to read it.
    """
    (total,) = host.ranges(((KERNEL_TOTAL, 0, _FIRST_LINE_BYTES),))
    structures = read_structures(host, (MEMORY_ARRAY, MEMORY_DEVICE))
    arrays = [structure for structure in if_read(structures) if structure.type_code == MEMORY_ARRAY]
    of_system = [array for array in arrays if array.number(ARRAY_USE) == SYSTEM_MEMORY]
    elsewhere = {array.handle for array in arrays if array not in of_system}  # the firmware's own flash chip, say
    modules = (
        find_memory_module(structure)
        for structure in if_read(structures)
        if structure.type_code == MEMORY_DEVICE and structure.number(ARRAY_OF_DEVICE, 2) not in elsewhere
    )
    return Memory(
        total_bytes=parse_total(total),
        modules=structures if isinstance(structures, Unread) else tuple(filter(None, modules)),
        error_correction=of_system[0].number(ARRAY_ERROR_CORRECTION) if of_system else None,
        edac=_read_edac(host),
    )


def _read_edac(host: Host) -> tuple[EdacController, ...]:
    """Read the error counts of each memory controller; a machine without a driver for its controller has none.

    Source: Documentation/admin-guide/ras.rst, ``ce_count`` and ``ue_count``.
    """
    names = [name for name in if_read(host.folder(EDAC)) if _CONTROLLER.fullmatch(name)]
    read = read_each(host, (f"{EDAC}/{name}" for name in names), ("ce_count", "ue_count"))
    return tuple(
        EdacController(
            name=name,
            correctable=parse_integer(raw["ce_count"], what=f"{EDAC}/{name}/ce_count"),
            uncorrectable=parse_integer(raw["ue_count"], what=f"{EDAC}/{name}/ue_count"),
        )
        for name, raw in zip(names, read, strict=True)
    )
