"""What an array can lose and has lost, by its level and its state."""

from laneproof.declaration.raid_levels import LEVELS
from laneproof.rules.arrays.member_positions import is_lost
from laneproof_collectors.snapshot import Array
from laneproof_collectors.unread import Unread

WHOLE_POOL = "ONLINE"  # OpenZFS pool state; every other one is less than whole
BROKEN_STATES = ("broken", "inactive", "clear")  # Documentation/admin-guide/md.rst, array_state
_SPARED_BESIDE_MD = {"linear": 0, "single": 0, "raidz1": 1, "raidz2": 2, "raidz3": 3}
_BTRFS_SPARED = {
    "single": 0, "dup": 0, "raid0": 0, "raid1": 1, "raid10": 1, "raid5": 1, "raid6": 2, "raid1c3": 2, "raid1c4": 3,
}  # fmt: skip


def level_key(level: str) -> str:
    """Spell a level as it is compared: people write ``RAID 5`` as well as ``raid5``."""
    return "".join(level.split()).casefold()


def is_container(array: Array) -> bool:
    """Whether it only holds the metadata of firmware RAID: it is never running, and its volumes are arrays themselves.

    Source: mdadm(8), level container; Linux Documentation/admin-guide/md.rst, external metadata (IMSM, DDF).
    """
    return array.level == "container"


def count_lost(array: Array) -> int | Unread:
    """Count the members that an array runs without; 0 where it is whole, and for a container.

    At least 1 where the state says that it is not whole; `Unread` where it is not known.

    Source: Documentation/admin-guide/md.rst (degraded, array_state, dev-*/state); OpenZFS pool states; fs/btrfs/sysfs.c
        (missing).
    """
    if is_container(array):
        return 0
    bad = sum(1 for member in array.members if is_lost(member))
    if array.kind == "zfs":
        return array.state if isinstance(array.state, Unread) else max(bad, int(array.state != WHOLE_POOL))
    if isinstance(array.degraded, int) and array.degraded > 0:
        return array.degraded
    if bad or array.state in BROKEN_STATES:
        return max(bad, 1)
    gaps = [array.degraded, array.state, *(member.state for member in array.members)]
    return next((gap for gap in gaps if isinstance(gap, Unread)), 0)


def count_spared(array: Array) -> int | None:
    """Count how many members an array of this level can lose at least; None for a level that is not known here.

    For mirrors of two copies on pairs (raid10) the least is one. btrfs keeps as many copies as its profile says,
    however many devices there are; of two profiles the lesser counts.

    Source: md(4); mkfs.btrfs(8), profiles (from memory).
    """
    if not isinstance(array.level, str):
        return None
    if array.kind == "btrfs":
        profiles = [_BTRFS_SPARED.get(level_key(level)) for level in array.level.split("+")]
        return None if None in profiles else min(spared for spared in profiles if spared is not None)
    name, wanted = level_key(array.level), array.members_wanted
    if level := LEVELS.get("raid1" if name == "mirror" else name):
        return level.tolerated_failures(wanted if isinstance(wanted, int) else level.least_members)
    return _SPARED_BESIDE_MD.get(name)
