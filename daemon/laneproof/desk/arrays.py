"""The arrays at the desk: what each holds, survives and costs, and what a rebuild risks."""

from collections.abc import Mapping
from dataclasses import dataclass

from laneproof.declaration.build import Build
from laneproof.declaration.raid_levels import LEVELS, Level, usable_bytes
from laneproof.declaration.tables import DeclaredArray, DeclaredPosition
from laneproof.declaration.units import format_bytes, is_same_capacity
from laneproof.desk.links import LinkBudget
from laneproof.desk.problems import BudgetNotes
from laneproof.desk.rebuild import Rebuild, estimate_rebuild
from laneproof.desk.typical_throughput import Reach, reach_of_array


@dataclass(frozen=True, slots=True, kw_only=True)
class ArrayBudget:
    """What one array holds, survives and costs; None where the declaration does not say enough.

    Attributes:
        members: How many members it has.
        raw_bytes: All members together.
        usable_bytes: What it holds.
        tolerated_failures: How many members may fail, whichever they are.
        small_write_operations: Reads and writes of members that one small write costs.
        read_bytes_per_second: Long reads, all members busy.
        write_bytes_per_second: Long writes.
        small_writes_per_second: Small random writes, where the drives' own is declared.
        rebuild: Rebuilding one member; None where no failure is survived.
        known_reach: What such arrays are known to reach; None where nothing is known.
    """

    name: str
    level: str | None
    members: int
    raw_bytes: int | None = None
    usable_bytes: int | None = None
    tolerated_failures: int | None = None
    small_write_operations: int | None = None
    read_bytes_per_second: float | None = None
    write_bytes_per_second: float | None = None
    small_writes_per_second: float | None = None
    rebuild: Rebuild | None = None
    known_reach: Reach | None = None


def budget_arrays(build: Build, links: Mapping[str, LinkBudget], notes: BudgetNotes) -> tuple[ArrayBudget, ...]:
    """Work out each array."""
    return tuple(_budget_array(build, array, links, notes) for array in build.array)


def _budget_array(
    build: Build, array: DeclaredArray, links: Mapping[str, LinkBudget], notes: BudgetNotes
) -> ArrayBudget:
    members = [member for label in array.members if (member := build.position_named(label))]
    count = len(members)
    bare = ArrayBudget(name=array.name, level=array.level, members=count)
    level = LEVELS.get(array.level or "")
    if level is None:
        why = f"has the level {array.level!r}, which is not reckoned here" if array.level else "does not say its level"
        notes.remark(f"{array.name} {why}")
        return bare
    if count < level.least_members:
        says = f"{array.name} has {count} members, and {level.name} needs {level.least_members}"
        notes.problem("array-too-small", array.name, says)
        return bare
    _check_members(array, members, notes)
    sizes = [member.occupant.capacity for member in members if member.occupant and member.occupant.capacity]
    known = len(sizes) == count
    _remark_on_sizes(array, level, sizes if known else None, notes)
    read, write = _member_rates(members, links)
    ceilings = None if read is None or write is None else (read * count, write * level.data_members(count))
    all_nvme = all(member.occupant is not None and member.occupant.kind == "nvme" for member in members)
    return ArrayBudget(
        name=array.name,
        level=level.name,
        members=count,
        raw_bytes=sum(sizes) if known else None,
        usable_bytes=usable_bytes(level, sizes) if known else None,
        tolerated_failures=level.tolerated_failures(count),
        small_write_operations=level.small_write_operations(count),
        read_bytes_per_second=ceilings and ceilings[0],
        write_bytes_per_second=ceilings and ceilings[1],
        small_writes_per_second=_small_writes(level, members),
        rebuild=_rebuild(array, level, count, min(sizes), write, notes) if known else None,
        known_reach=reach_of_array(level.name, count, *ceilings) if ceilings and all_nvme else None,
    )


def _check_members(array: DeclaredArray, members: list[DeclaredPosition], notes: BudgetNotes) -> None:
    for member in members:
        kind = member.occupant.kind if member.occupant else None
        if kind in ("none", "network", "other"):
            what = "is meant to be empty" if kind == "none" else f"holds no drive ({kind})"
            notes.problem("member-no-drive", array.name, f"{member.label} is a member of {array.name}, and {what}")


def _remark_on_sizes(array: DeclaredArray, level: Level, sizes: list[int] | None, notes: BudgetNotes) -> None:
    if sizes is None:
        notes.remark(f"{array.name}: not every member says its capacity, so what it holds is not known")
    elif not all(is_same_capacity(size, min(sizes)) for size in sizes):
        beyond = format_bytes(sum(sizes) - min(sizes) * len(sizes))
        what = f"its last {beyond} are on fewer of them" if level.name == "raid0" else f"{beyond} of them stay unused"
        notes.remark(f"{array.name}: its members differ in size, and {what}")


def _member_rates(
    members: list[DeclaredPosition], links: Mapping[str, LinkBudget]
) -> tuple[float | None, float | None]:
    """Give what the slowest member can read and write in sequence while all are busy: link and drive together."""
    reads, writes = [], []
    for member in members:
        link = links[member.label]
        busy = link.all_busy_bytes_per_second
        if busy is None or not link.payload_bytes_per_second:
            return None, None
        own_read = member.occupant.read if member.occupant else None
        own_write = member.occupant.write if member.occupant else None
        busy_writing = busy * (link.write_payload_bytes_per_second or 0) / link.payload_bytes_per_second
        reads.append(min(busy, own_read or busy))
        writes.append(min(busy_writing, own_write or busy_writing))
    return min(reads), min(writes)


def _small_writes(level: Level, members: list[DeclaredPosition]) -> float | None:
    own = [member.occupant.random_writes_per_second if member.occupant else None for member in members]
    known = [rate for rate in own if rate is not None]
    if len(known) < len(members):
        return None
    return min(known) * len(members) / level.small_write_operations(len(members))


def _rebuild(  # noqa: PLR0913 (what a rebuild depends on)
    array: DeclaredArray, level: Level, count: int, member_bytes: int, write: float | None, notes: BudgetNotes
) -> Rebuild | None:
    tolerated = level.tolerated_failures(count)
    if tolerated == 0:
        return None
    rate, limited_by = notes.figure("rebuild_rate"), "the rebuild's own ceiling"
    if write is not None and write < rate:
        rate, limited_by = write, "the member's link or its own writing"
    if rate <= 0:
        notes.remark(f"{array.name}: at a rebuild rate of nothing no rebuild ends")
        return None
    notes.assumption("drives fail independently of one another", _TOGETHER)
    # In level 10 only those matter that hold the other copies: the partner, or both neighbours of an odd number.
    partners = 1 + count % 2 if level.name == "raid10" else count - 1
    return estimate_rebuild(
        member_bytes=member_bytes,
        read_members=level.read_by_rebuild(count),
        survivors=partners,
        spare_failures=0 if level.name == "raid10" else tolerated - 1,
        bytes_per_second=rate,
        limited_by=limited_by,
        annual_failure_rate=notes.figure("annual_failure_rate"),
        unreadable_per_bit=notes.figure("unreadable_per_bit"),
    )


_TOGETHER = (
    "common practice, and too kind: in one public set of failure tickets 9.9 % of nodes with a failed SSD had another"
    " within a day"
)
