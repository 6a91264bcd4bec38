"""Disks as the kernel's block layer knows them: size, identity, and the counts of what was read and written.

Rules of this module: everything here is the kernel's own account. No attribute of a disk asked for here sends the drive
a command, so a sleeping drive stays asleep.

Source: Documentation/ABI/stable/sysfs-block, Documentation/block/stat.rst.
"""

import re
from collections.abc import Sequence
from typing import cast

from laneproof_collectors.attributes import parse_integer, parse_text, unless_absent
from laneproof_collectors.questions import Answer, Question, ReadFile
from laneproof_collectors.snapshot import BlockStatistics, NvmeNamespace
from laneproof_collectors.unread import Unread

SECTOR_BYTES = 512
"""The unit of ``size`` and ``stat``, whatever the disk's own block size is."""

_STATISTICS_FIELDS = 11  # later kernels append discards (4.18) and flushes (5.5)
_NAMESPACE_NODE = re.compile(r"nvme(\d+)(?:c\d+)?n(\d+)")
_NAMESPACE_FILES = ("nsid", "size", "queue/logical_block_size", "eui", "nguid", "uuid", "wwid", "stat")
NAMESPACE_QUESTIONS = len(_NAMESPACE_FILES)


def parse_size(raw: bytes | Unread, *, what: str) -> int | Unread:
    """Parse a disk's ``size``.

    Args:
        raw: The attribute as read: sectors of 512 bytes.
        what: Where it was read, for the sentence that a person will see.

    Returns:
        The size in bytes, or why it is not known.
    """
    sectors = parse_integer(raw, what=what)
    if isinstance(sectors, Unread):
        return sectors
    return sectors * SECTOR_BYTES if sectors >= 0 else Unread(what, f"not a size: {sectors}")


def parse_statistics(raw: bytes | Unread, *, what: str) -> BlockStatistics | Unread:
    """Parse a disk's ``stat``: eleven counts or more on one line.

    Args:
        raw: The attribute as read.
        what: Where it was read, for the sentence that a person will see.

    Returns:
        The counts since the disk appeared, or why there are none.
    """
    if isinstance(raw, Unread):
        return raw
    words = raw.split()
    if len(words) < _STATISTICS_FIELDS or not all(word.isdigit() for word in words[:_STATISTICS_FIELDS]):
        return Unread(what, f"not the counts of a disk: {raw[:32]!r}")
    reads, _, read_sectors, read_time, writes, _, written_sectors, write_time, in_flight, busy, _ = map(
        int, words[:_STATISTICS_FIELDS]
    )
    return BlockStatistics(
        reads=reads,
        read_bytes=read_sectors * SECTOR_BYTES,
        read_milliseconds=read_time,
        writes=writes,
        written_bytes=written_sectors * SECTOR_BYTES,
        write_milliseconds=write_time,
        in_flight=in_flight,
        busy_milliseconds=busy,
    )


def name_namespace(node: str) -> str | None:
    """Name the disk that a folder below an NVMe controller stands for.

    Args:
        node: The folder's name: ``nvme0n1``, or ``nvme0c1n1`` for one controller's hidden way to the disk ``nvme0n1``.

    Returns:
        The disk's name; ``None`` where the folder is no namespace.

    Source: kernel drivers/nvme/host/multipath.c, ``nvme_mpath_set_disk_name``.
    """
    match = _NAMESPACE_NODE.fullmatch(node)
    return f"nvme{match[1]}n{match[2]}" if match else None


def ask_namespace(folder: str) -> list[Question]:
    """List what to ask of one namespace, given its folder below the controller.

    A hidden way's own folder is asked too: every kernel counts there, while the disk above it counts nothing before 6.4
    (from memory).
    """
    return [ReadFile(f"{folder}/{name}") for name in _NAMESPACE_FILES]


def parse_namespace(name: str, folder: str, answers: Sequence[Answer]) -> NvmeNamespace:
    """Make a namespace of the answers to `ask_namespace`.

    Args:
        name: The disk's name.
        folder: The folder asked.
        answers: One answer a question, in order.

    Returns:
        The namespace; each field that failed says so by itself.
    """
    number, size, block, eui, nguid, uuid, wwid, statistics = cast("Sequence[bytes | Unread]", answers)
    return NvmeNamespace(
        name=name,
        number=parse_integer(number, what=f"{folder}/nsid"),
        size_bytes=parse_size(size, what=f"{folder}/size"),
        logical_block_bytes=parse_integer(block, what=f"{folder}/queue/logical_block_size"),
        eui64=_identifier(eui, drop=" "),
        nguid=_identifier(nguid),
        uuid=_identifier(uuid),
        wwid=_identifier(wwid),
        statistics=unless_absent(parse_statistics(statistics, what=f"{folder}/stat")),
    )


def _identifier(raw: bytes | Unread, *, drop: str = "") -> str | None:
    text = parse_text(raw)
    if isinstance(text, Unread):
        return None  # the kernel shows no file for an identifier that the drive does not have
    return (text.replace(drop, "") if drop else text) or None
