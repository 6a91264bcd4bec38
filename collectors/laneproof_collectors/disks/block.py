"""Disks as the kernel's block layer knows them: size, identity, and the counts of what was read and written.

Rules of this module: everything here is the kernel's own account. No attribute of a disk asked for here sends the drive
a command, so a sleeping drive stays asleep.

Source: Documentation/ABI/stable/sysfs-block, Documentation/block/stat.rst.
"""

import re
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

from laneproof_collectors.host import Host
from laneproof_collectors.snapshot import BlockStatistics, NvmeNamespace
from laneproof_collectors.sysfs_attributes import parse_integer, parse_text, read_each, unless_absent
from laneproof_collectors.unread import Unread

SECTOR_BYTES = 512
"""The unit of ``size`` and ``stat``, whatever the disk's own block size is."""

_STATISTICS_FIELDS = 11  # later kernels append discards (4.18) and flushes (5.5)
_NAMESPACE_NODE = re.compile(r"nvme(\d+)(?:c\d+)?n(\d+)")


@dataclass(frozen=True, slots=True, kw_only=True)
class NamespaceIdentifiers:
    """What does not change for as long as a namespace keeps its world-wide identifier."""

    number: int | Unread
    eui64: str | None
    nguid: str | None
    uuid: str | None


NamespaceMemory = dict[tuple[str, str], NamespaceIdentifiers]
"""Identifiers known from an earlier pass, by the namespace's folder and its world-wide identifier."""


def parse_size(raw: bytes | Unread, *, what: str) -> int | Unread:
    """Parse a disk's ``size``, which counts sectors of 512 bytes.

    Returns:
        The size in bytes, or why it is not known.
    """
    sectors = parse_integer(raw, what=what)
    if isinstance(sectors, Unread):
        return sectors
    return sectors * SECTOR_BYTES if sectors >= 0 else Unread(what, f"not a size: {sectors}")


def parse_statistics(raw: bytes | Unread, *, what: str) -> BlockStatistics | Unread:
    """Parse a disk's ``stat``: eleven counts or more on one line.

    Returns:
        The counts since the disk appeared, or why there are none.
    """
    if isinstance(raw, Unread):
        return raw
    words = raw.split()
    if len(words) < _STATISTICS_FIELDS or not all(word.isdigit() for word in words[:_STATISTICS_FIELDS]):
        return Unread(what, f"not the counts of a disk: {raw[:32]!r}")
    reads, _, read_sectors, read_time, writes, _, written_sectors, write_time, _, busy = map(int, words[:10])
    return BlockStatistics(
        reads=reads,
        read_bytes=read_sectors * SECTOR_BYTES,
        read_milliseconds=read_time,
        writes=writes,
        written_bytes=written_sectors * SECTOR_BYTES,
        write_milliseconds=write_time,
        busy_milliseconds=busy,
    )


@lru_cache(maxsize=1024)
def name_namespace(node: str) -> str | None:
    """Name the disk that a folder below an NVMe controller stands for.

    Returns:
        The disk's name, ``nvme0n1`` also of a controller's hidden way to it (``nvme0c1n1``); ``None`` where the folder
        is no namespace.

    Source: kernel drivers/nvme/host/multipath.c, ``nvme_mpath_set_disk_name``.
    """
    match = _NAMESPACE_NODE.fullmatch(node)
    return f"nvme{match[1]}n{match[2]}" if match else None


def read_namespaces(host: Host, found: Sequence[tuple[str, str]], memory: NamespaceMemory) -> list[NvmeNamespace]:
    """Read namespaces, asking for their identifiers only where these are not known yet.

    A hidden way's own folder is read too: every kernel counts there, while the disk above it counts nothing before 6.4
    (from memory).

    Returns:
        One namespace for each disk name and folder; a field that failed says so by itself. Namespaces that are gone are
        forgotten.
    """
    read = read_each(host, (folder for _, folder in found), ("size", "stat", "wwid"))
    keys = [(folder, _identifier(raw["wwid"]) or "") for (_, folder), raw in zip(found, read, strict=True)]
    _identify(host, keys, memory)
    return [
        NvmeNamespace(
            name=name,
            number=memory[key].number,
            size_bytes=parse_size(raw["size"], what=f"{folder}/size"),
            eui64=memory[key].eui64,
            nguid=memory[key].nguid,
            uuid=memory[key].uuid,
            wwid=key[1] or None,
            statistics=unless_absent(parse_statistics(raw["stat"], what=f"{folder}/stat")),
        )
        for (name, folder), key, raw in zip(found, keys, read, strict=True)
    ]


def _identify(host: Host, keys: Sequence[tuple[str, str]], memory: NamespaceMemory) -> None:
    """Bring the memory to the namespaces of this pass. One that lacks an identifier, or its number, is asked again."""
    lasting = {key for key in keys if key[1] and key in memory and not isinstance(memory[key].number, Unread)}
    for gone in memory.keys() - lasting:
        del memory[gone]
    strangers = [key for key in keys if key not in memory]
    read = read_each(host, (folder for folder, _ in strangers), ("nsid", "eui", "nguid", "uuid"))
    for key, raw in zip(strangers, read, strict=True):
        memory[key] = NamespaceIdentifiers(
            number=parse_integer(raw["nsid"], what=f"{key[0]}/nsid"),
            eui64=_identifier(raw["eui"], drop=" "),
            nguid=_identifier(raw["nguid"]),
            uuid=_identifier(raw["uuid"]),
        )


def _identifier(raw: bytes | Unread, *, drop: str = "") -> str | None:
    text = parse_text(raw)
    if isinstance(text, Unread):
        return None  # the kernel shows no file for an identifier that the drive does not have
    return (text.replace(drop, "") if drop else text) or None
