"""Arrays: Linux md whole, and what the kernel's modules show of btrfs and ZFS.

Source of md's files: Documentation/admin-guide/md.rst. When an array was last checked is nowhere in sysfs, so that is
left open here; the daemon sees checks run and remembers.
"""

import re

from laneproof_collectors.btrfs import read_btrfs
from laneproof_collectors.disks.block import parse_size
from laneproof_collectors.disks.whole_disks import read_whole_disks
from laneproof_collectors.host import Host
from laneproof_collectors.snapshot import Array, ArrayMember
from laneproof_collectors.sysfs_attributes import is_absent, parse_integer, parse_text, read_each, unless_absent
from laneproof_collectors.unread import Reason, Unread

BLOCK = "/sys/block"
ZFS = "/proc/spl/kstat/zfs"

_MD_NAME = re.compile(r"md(?:\d+|_.+)")  # md0, md127, and named ones: md_kelp
_MD_FILES = (
    "size", "md/array_state", "md/level", "md/raid_disks", "md/degraded", "md/sync_action", "md/sync_completed",
    "md/sync_speed", "md/mismatch_cnt",
)  # fmt: skip
_MEMBER_PREFIX = "dev-"
_MEMBER_FILES = ("state", "slot", "errors", "bad_blocks")
_WANTED = re.compile(r"(\d{1,9})(?: \(\d{1,9}\))?")
_COMPLETED = re.compile(r"(\d{1,20}) / (\d{1,20})")

_Raw = dict[str, bytes | Unread]


def parse_members_wanted(raw: bytes | Unread, *, what: str) -> int | Unread | None:
    r"""Parse md's ``raid_disks``: ``b"4\n"``, while reshaping ``b"4 (3)\n"`` (new, old).

    Returns:
        How many members the array is meant to have; ``None`` for a container or an array that is not assembled.
    """
    text = unless_absent(parse_text(raw))
    if not isinstance(text, str) or not text:
        return text or None
    match = _WANTED.fullmatch(text)
    return int(match[1]) if match else Unread(what, f"not a number of members: {text[:32]!r}")


def parse_sync_completed(raw: bytes | Unread, *, what: str) -> float | Unread | None:
    r"""Parse md's ``sync_completed``: ``b"1024 / 4096\n"`` in sectors, ``none``, or ``delayed`` while it waits.

    Returns:
        The share that is done, 0 to 1; ``None`` where nothing runs.
    """
    text = unless_absent(parse_text(raw))
    if not isinstance(text, str) or text == "none":
        return text if isinstance(text, Unread) else None
    if text == "delayed":
        return 0.0
    match = _COMPLETED.fullmatch(text)
    if not match or int(match[2]) == 0 or int(match[1]) > int(match[2]):
        return Unread(what, f"not a share of sectors: {text[:32]!r}")
    return int(match[1]) / int(match[2])


def parse_bad_blocks(raw: bytes | Unread, *, what: str) -> int | Unread | None:
    r"""Parse a member's list of bad blocks: a line of start and length for each, ``b"2048 8\n"``, up to a page of them.

    Returns:
        How many sectors are listed; ``None`` for a member that keeps no list.
    """
    text = unless_absent(parse_text(raw))
    if not isinstance(text, str):
        return text
    total = 0
    for line in text.splitlines():
        fields = line.split()
        length = parse_integer(fields[-1].encode(), what=what) if len(fields) == 2 else -1  # noqa: PLR2004 (start, length)
        if isinstance(length, Unread) or length < 0:
            return Unread(what, f"not a bad block: {line[:32]!r}")
        total += length
    return total


def _parse_unless_none(raw: bytes | Unread, *, what: str) -> int | Unread | None:
    """Parse a number for which the kernel writes ``none`` where there is none."""
    return None if parse_text(raw) == "none" else unless_absent(parse_integer(raw, what=what))


def read_arrays(host: Host) -> tuple[Array, ...] | Unread:
    """Read all arrays: md, then btrfs, then ZFS.

    Returns:
        The arrays, or why one of the three could not be listed (an array that seems not to be there would be called
        missing).
    """
    groups = (_read_md(host), read_btrfs(host), _read_zfs(host))
    failed = next((group for group in groups if isinstance(group, Unread)), None)
    return failed or tuple(array for group in groups if not isinstance(group, Unread) for array in group)


# --- md ---------------------------------------------------------------------------------------------------------------


def _read_md(host: Host) -> tuple[Array, ...] | Unread:
    listed = host.folder(BLOCK)
    if isinstance(listed, Unread):
        return () if is_absent(listed) else listed
    names = [name for name in listed if _MD_NAME.fullmatch(name)]
    folders = host.folders(f"{BLOCK}/{name}/md" for name in names)
    present = {name: entries for name, entries in zip(names, folders, strict=True) if not is_absent(entries)}
    members: dict[str, list[str]] = {}
    for name, entries in present.items():
        if isinstance(entries, Unread):
            return entries
        members[name] = [entry.removeprefix(_MEMBER_PREFIX) for entry in entries if entry.startswith(_MEMBER_PREFIX)]
    raws = read_each(host, (f"{BLOCK}/{name}" for name in members), _MD_FILES)
    pairs = [(name, member) for name, group in members.items() for member in group]
    folders_of_members = [f"{BLOCK}/{name}/md/{_MEMBER_PREFIX}{member}" for name, member in pairs]
    member_raws = read_each(host, folders_of_members, _MEMBER_FILES)
    disks = read_whole_disks(host, {member for _, member in pairs})
    made: dict[str, list[ArrayMember]] = {name: [] for name in members}
    for (name, member), folder, raw in zip(pairs, folders_of_members, member_raws, strict=True):
        if not is_absent(raw["state"]):  # taken out meanwhile
            made[name].append(_make_member(folder, member, disks[member], raw))
    return tuple(
        _make_md(name, raw, made[name])
        for name, raw in zip(members, raws, strict=True)
        # "clear": no array at all, only its node was left behind
        if not is_absent(raw["md/array_state"]) and parse_text(raw["md/array_state"]) != "clear"
    )


def _make_md(name: str, raw: _Raw, members: list[ArrayMember]) -> Array:
    folder = f"{BLOCK}/{name}/md"
    level = parse_text(raw["md/level"])
    speed = _parse_unless_none(raw["md/sync_speed"], what=f"{folder}/sync_speed")
    return Array(
        name=name,
        kind="md",
        level=level or Unread(f"{folder}/level", "empty: the array is not assembled", Reason.ABSENT),
        state=parse_text(raw["md/array_state"]),
        members_wanted=parse_members_wanted(raw["md/raid_disks"], what=f"{folder}/raid_disks"),
        degraded=unless_absent(parse_integer(raw["md/degraded"], what=f"{folder}/degraded")),
        size_bytes=parse_size(raw["size"], what=f"{BLOCK}/{name}/size"),
        members=tuple(members),
        sync_action=unless_absent(parse_text(raw["md/sync_action"])),
        sync_completed=parse_sync_completed(raw["md/sync_completed"], what=f"{folder}/sync_completed"),
        sync_bytes_per_second=speed * 1024.0 if isinstance(speed, int) else speed,  # the file has KiB/s
        mismatch_sectors=unless_absent(parse_integer(raw["md/mismatch_cnt"], what=f"{folder}/mismatch_cnt")),
    )


def _make_member(folder: str, name: str, disk: str, raw: _Raw) -> ArrayMember:
    slot = parse_integer(raw["slot"], what=f"{folder}/slot")
    return ArrayMember(
        name=name,
        disk=disk,
        state=parse_text(raw["state"]),
        slot=slot if isinstance(slot, int) else None,  # "none" for a spare, "journal" for a journal
        errors=unless_absent(parse_integer(raw["errors"], what=f"{folder}/errors")),
        bad_block_sectors=parse_bad_blocks(raw["bad_blocks"], what=f"{folder}/bad_blocks"),
    )


# --- ZFS --------------------------------------------------------------------------------------------------------------


def _read_zfs(host: Host) -> tuple[Array, ...] | Unread:
    """Read each pool's state: all that the kernel module shows to everybody, and it does not hang on a failed pool."""
    listed = host.folder(ZFS)
    if isinstance(listed, Unread):
        return () if is_absent(listed) else listed
    states = host.files(f"{ZFS}/{name}/state" for name in listed)
    return tuple(
        Array(
            name=name,
            kind="zfs",
            level=Unread(f"the level of {name}", "the kernel module does not show it", Reason.ABSENT),
            state=parse_text(state),
            members_wanted=None,
            degraded=None,
            size_bytes=None,
            members=(),
        )
        for name, state in zip(listed, states, strict=True)
        if not is_absent(state)  # what is no pool: the module's own statistics stand beside them
    )
