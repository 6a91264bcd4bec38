"""What an array of equal members gives: capacity, failures it survives, and what reading and writing cost.

Source: the figures relative to the members are those of Chen, Lee, Gibson, Katz, Patterson, "RAID: High-Performance,
Reliable Secondary Storage", ACM Computing Surveys 26 (1994), table 3, and of Patterson, Gibson, Katz, "A Case for
Redundant Arrays of Inexpensive Disks", SIGMOD 1988 (both from memory). The cost of a small write, 1, 2, 4, 6 and 2
member operations at levels 0, 1, 5, 6 and 10, is common practice besides.
"""

import re
from collections.abc import Callable
from dataclasses import dataclass

_WORD = re.compile(r"(?:raid)?[ _-]*(\d+)")


@dataclass(frozen=True, slots=True, kw_only=True)
class Level:
    """One RAID level, by its number of members.

    Attributes:
        name: As md names it.
        least_members: How many it needs.
        data_members: How many members' worth of data it holds; may be a half.
        tolerated_failures: How many may fail, whichever they are.
        small_write_operations: Reads and writes of members that one small write costs.
        large_write_members: How many members' rate a long write has.
        read_by_rebuild: How many members are read whole to rebuild one.
    """

    name: str
    least_members: int
    data_members: Callable[[int], float]
    tolerated_failures: Callable[[int], int]
    small_write_operations: Callable[[int], int]
    large_write_members: Callable[[int], float]
    read_by_rebuild: Callable[[int], int]


LEVELS = {
    one.name: one
    for one in (
        Level(
            name="raid0",
            least_members=1,
            data_members=lambda n: n,
            tolerated_failures=lambda _n: 0,
            small_write_operations=lambda _n: 1,
            large_write_members=lambda n: n,
            read_by_rebuild=lambda _n: 0,
        ),
        Level(
            name="raid1",
            least_members=2,
            data_members=lambda _n: 1,
            tolerated_failures=lambda n: n - 1,
            small_write_operations=lambda n: n,
            large_write_members=lambda _n: 1,
            read_by_rebuild=lambda _n: 1,
        ),
        Level(
            name="raid5",
            least_members=3,
            data_members=lambda n: n - 1,
            tolerated_failures=lambda _n: 1,
            small_write_operations=lambda _n: 4,
            large_write_members=lambda n: n - 1,
            read_by_rebuild=lambda n: n - 1,
        ),
        Level(
            name="raid6",
            least_members=4,
            data_members=lambda n: n - 2,
            tolerated_failures=lambda _n: 2,
            small_write_operations=lambda _n: 6,
            large_write_members=lambda n: n - 2,
            read_by_rebuild=lambda n: n - 1,
        ),
        Level(
            name="raid10",
            least_members=2,
            data_members=lambda n: n / 2,
            tolerated_failures=lambda _n: 1,
            small_write_operations=lambda _n: 2,
            large_write_members=lambda n: n / 2,
            read_by_rebuild=lambda _n: 1,
        ),
    )
}
"""By md's name. Level 10 is taken with two copies of each block, md's default."""


def find_level(word: str) -> Level | None:
    """Find a level by how people write it: ``raid5``, ``RAID 5``, ``5``; None for one that is not reckoned here."""
    match = _WORD.fullmatch(word.strip().lower())
    return LEVELS.get(f"raid{match[1]}") if match else None


def usable_bytes(level: Level, members: int, smallest_bytes: int) -> int:
    """Give what an array holds: each member counts as the smallest of them.

    Args:
        level: Its level.
        members: How many members, at least as many as the level needs.
        smallest_bytes: Capacity of the smallest.
    """
    return int(level.data_members(members) * smallest_bytes)
