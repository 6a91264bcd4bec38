"""Typical throughput: what such boxes are known to reach, beside the ceilings that nothing can pass.

Common practice, no source: five NVMe drives of generation 4 x4 read and wrote about 13 GB/s in sequence at level 0, and
read about 4 and wrote about 2.5 GB/s at level 5; in operations of 4 KiB a second 1.5 million at level 0, about 350,000
reads and 170,000 writes at level 5; each drive alone gave 5 to 7 GB/s, a boot drive of generation 3 x1 about 1 GB/s. Of
other levels and kinds nothing is known here, and nothing is said.
"""

from dataclasses import dataclass, replace

Range = tuple[float, float]

_DRIVE_SHARE: Range = (0.7, 0.97)  # 5 to 7 of a ceiling of 7.2 GB/s
_MEMBERS_SEEN = 5


@dataclass(frozen=True, slots=True, kw_only=True)
class Reach:
    """What an array is known to reach.

    Attributes:
        read_bytes_per_second: In sequence, from and to; writing likewise.
        small_reads_per_second: Operations of 4 KiB, about; writing likewise.
        because: What sets it.
    """

    read_bytes_per_second: Range
    write_bytes_per_second: Range
    small_reads_per_second: float
    small_writes_per_second: float
    because: str


_SEEN = {
    "raid0": Reach(
        read_bytes_per_second=(12e9, 14e9),
        write_bytes_per_second=(12e9, 14e9),
        small_reads_per_second=1_500_000,
        small_writes_per_second=1_500_000,
        because="memory traffic, and one queue of requests",
    ),
    "raid5": Reach(
        read_bytes_per_second=(3.5e9, 4.5e9),
        write_bytes_per_second=(2e9, 3e9),
        small_reads_per_second=350_000,
        small_writes_per_second=170_000,
        because="md's stripe handling, and parity on the processor",
    ),
}
"""By level. The ranges are the values above, give or take an eighth to a fifth: our choice."""


def reach_of_drive(kind: str | None, link: float | None, own: int | None) -> Range | None:
    """Give what an NVMe drive alone is known to reach in sequence.

    Args:
        kind: What kind of device it is.
        link: Its link's ceiling, bytes a second of payload.
        own: What its maker states, if declared.

    Returns:
        From and to, bytes a second; None where nothing is known.
    """
    if kind != "nvme" or link is None:
        return None
    low, high = _DRIVE_SHARE
    return min(own or link, link) * low, min(own or link, link * high)


def reach_of_array(level: str, members: int, read: float, write: float) -> Reach | None:
    """Give what an array of NVMe drives is known to reach: its level's own limit, or less where its members give less.

    `read` and `write` are its ceilings in sequence, bytes a second. None where nothing is known.
    """
    seen = _SEEN.get(level)
    if seen is None:
        return None
    low, high = _DRIVE_SHARE
    (read_low, read_high), (write_low, write_high) = seen.read_bytes_per_second, seen.write_bytes_per_second
    share = min(members / _MEMBERS_SEEN, 1.0)
    return replace(
        seen,
        read_bytes_per_second=(min(read_low, read * low), min(read_high, read * high)),
        write_bytes_per_second=(min(write_low, write * low), min(write_high, write * high)),
        small_reads_per_second=seen.small_reads_per_second * share,
        small_writes_per_second=seen.small_writes_per_second * share,
    )
