"""Memory: modules and sockets as SMBIOS lists them, the kernel's total, and the error counts of EDAC."""

import re

from laneproof_collectors.host import Host
from laneproof_collectors.smbios import (
    MEMORY_ARRAY,
    MEMORY_DEVICE,
    SYSTEM_MEMORY,
    Structure,
    find_array_handle,
    find_memory_array,
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
    arrays = [find_memory_array(structure) for structure in _all_of(structures, MEMORY_ARRAY)]
    elsewhere = {array.handle for array in arrays if array.use != SYSTEM_MEMORY}  # the firmware's own flash chip, say
    sockets = [
        find_memory_module(structure)
        for structure in _all_of(structures, MEMORY_DEVICE)
        if find_array_handle(structure) not in elsewhere
    ]
    return Memory(
        total_bytes=parse_total(total),
        modules=structures
        if isinstance(structures, Unread)
        else tuple(module for module in sockets if module is not None),
        error_correction=next((array.error_correction for array in arrays if array.use == SYSTEM_MEMORY), None),
        edac=_read_edac(host),
    )


def _all_of(structures: tuple[Structure, ...] | Unread, type_code: int) -> list[Structure]:
    return (
        []
        if isinstance(structures, Unread)
        else [structure for structure in structures if structure.type_code == type_code]
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
