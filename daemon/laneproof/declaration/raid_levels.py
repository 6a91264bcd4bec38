"""What an array of equal members gives: capacity, failures it survives, and what reading and writing cost.

Source: the figures relative to the members are those of "RAID: High-Performance, Reliable Secondary Storage", ACM
Computing Surveys 26 (1994), table 3, and of "A Case for Redundant Arrays of Inexpensive Disks", SIGMOD 1988 (both from
memory). The cost of a small write, 1, 2, 4, 6 and 2 member operations at levels 0, 1, 5, 6 and 10, is common practice
besides.
"""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Level:
    """One RAID level.

    Attributes:
        name: As md names it.
        least_members: How many it needs. Source: mdadm, Create.c (from memory).
        parity: How many members' worth of parity it holds.
        copies: How many copies of each block it holds; None: as many as it has members.
    """

    name: str
    least_members: int
    parity: int = 0
    copies: int | None = 1

    def data_members(self, members: int) -> float:
        """Give how many members' worth of data it holds, which is the rate of a long write too; may be a half."""
        return members / self._copies(members) - self.parity

    def tolerated_failures(self, members: int) -> int:
        """Give how many members may fail, whichever they are."""
        return self._copies(members) - 1 + self.parity

    def small_write_operations(self, members: int) -> int:
        """Give how many reads and writes of members one small write costs: old data and parity are read first."""
        return 2 * (1 + self.parity) if self.parity else self._copies(members)

    def read_by_rebuild(self, members: int) -> int:
        """Give how many members are read whole to rebuild one."""
        return members - 1 if self.parity else min(self._copies(members) - 1, 1)

    def _copies(self, members: int) -> int:
        return members if self.copies is None else self.copies


LEVELS = {
    level.name: level
    for level in (
        Level(name="raid0", least_members=1),
        Level(name="raid1", least_members=2, copies=None),
        Level(name="raid4", least_members=2, parity=1),
        Level(name="raid5", least_members=2, parity=1),
        Level(name="raid6", least_members=4, parity=2),
        Level(name="raid10", least_members=2, copies=2),
    )
}
"""By md's name. Level 10 is taken with two copies of each block, md's default."""


def usable_bytes(level: Level, sizes: list[int]) -> int:
    """Give what an array of at least as many members as its level needs holds, by the size of each.

    Each member counts as the smallest, but level 0 uses all of each.

    Source: kernel drivers/md/raid0.c, create_strip_zones: what is left of the larger members makes further zones.
    """
    if level.name == "raid0":
        return sum(sizes)
    return round(level.data_members(len(sizes)) * 2) * min(sizes) // 2  # in halves: whole numbers stay exact
