"""btrfs file systems, as their module shows them in sysfs.

sysfs does not say which device has which number, so a device that is missing, and error statistics where there is more
than one device, go by the number: ``devid 2``.

Source: fs/btrfs/sysfs.c.
"""

import re
from typing import NamedTuple

from laneproof_collectors.disks.whole_disks import BLOCK_CLASS, read_whole_disks
from laneproof_collectors.host import Host
from laneproof_collectors.snapshot import Array, ArrayMember
from laneproof_collectors.sysfs_attributes import is_absent, parse_switch, parse_text, read_each, read_linked
from laneproof_collectors.unread import Reason, Unread, if_read

BTRFS = "/sys/fs/btrfs"

_UUID = re.compile(r"[0-9a-f]{8}(?:-[0-9a-f]{4}){3}-[0-9a-f]{12}")
# The profiles of a block group, by the names of the folders of a space (btrfs_bg_type_to_raid_name).
_PROFILES = ("single", "dup", "raid0", "raid1", "raid1c3", "raid1c4", "raid10", "raid5", "raid6")
_DEVICE_FILES = ("missing", "replace_target", "error_stats")
_NUMBER = re.compile(r"[0-9]{1,20}")
_STATISTIC = re.compile(r"(\w+) (\d{1,20})")


def parse_error_statistics(raw: bytes | Unread, *, what: str) -> dict[str, int] | Unread:
    r"""Parse a device's ``error_stats``: lines such as ``b"write_errs 0\n"``, or ``invalid`` before they are loaded.

    Returns:
        Counts by name, kept over reboots.
    """
    text = parse_text(raw)
    if isinstance(text, Unread):
        return text
    matches = [_STATISTIC.fullmatch(line) for line in text.splitlines()]
    if not matches or None in matches:
        return Unread(what, f"no error statistics: {text[:32]!r}")
    return {match[1]: int(match[2]) for match in matches if match}


def read_btrfs(host: Host) -> tuple[Array, ...] | Unread:
    """Read the mounted btrfs file systems.

    Returns:
        One array each, named by its label where it has one, else by its UUID.
    """
    listed = host.folder(BTRFS)
    if isinstance(listed, Unread):
        return () if is_absent(listed) else listed
    uuids = [name for name in listed if _UUID.fullmatch(name)]
    arrays = [_read_file_system(host, uuid) for uuid in uuids]
    failed = next((array for array in arrays if isinstance(array, Unread)), None)
    return failed or tuple(array for array in arrays if isinstance(array, Array))


def _read_file_system(host: Host, uuid: str) -> Array | Unread | None:
    """Read one file system; None where it was unmounted meanwhile."""
    folder = f"{BTRFS}/{uuid}"
    names = read_linked(host, f"{folder}/devices")
    if isinstance(names, Unread):
        return None if is_absent(names) else names
    label, listed = parse_text(host.file(f"{folder}/label")), host.folder(f"{folder}/devinfo")
    unlisted = listed if isinstance(listed, Unread) and not is_absent(listed) else None  # a kernel before 5.6 has none
    numbered = _read_devices(host, f"{folder}/devinfo", if_read(listed))
    disks = read_whole_disks(host, names)
    gone = _find_gone(host, names)
    members = [
        ArrayMember(name=name, disk=disks[name], state="missing" if name in gone else "present", slot=None, errors=None)
        for name in names
    ]
    members += [
        ArrayMember(name=f"devid {number}", disk="", state="missing", slot=number, errors=None)
        for number, device in numbered.items()
        if device.missing is True
    ]
    missing = (unlisted, *(device.missing for device in numbered.values()))
    unknown = next((answer for answer in missing if isinstance(answer, Unread)), None)
    degraded = unknown or sum(member.state == "missing" for member in members)
    alone = names[0] if len(names) == len(numbered) == 1 else None
    return Array(
        name=(label if isinstance(label, str) else "") or uuid,
        kind="btrfs",
        level=_read_level(host, folder),
        state=degraded if isinstance(degraded, Unread) else "degraded" if degraded else "online",
        members_wanted=unlisted or len(numbered) or None,
        degraded=degraded,
        size_bytes=None,  # how much fits depends on the profile of each block group: see the mounted file system
        members=tuple(members),
        error_statistics={
            alone or f"devid {number}": device.statistics
            for number, device in numbered.items()
            if not (device.missing is True or is_absent(device.statistics))
        },
    )


class _Device(NamedTuple):
    """What the file system knows of the device with one number."""

    missing: bool | Unread
    statistics: dict[str, int] | Unread


def _find_gone(host: Host, names: tuple[str, ...]) -> set[str]:
    """Find the devices that went while in use: their links stay here, but the block layer has them no more."""
    links = dict(zip(names, host.links(f"{BLOCK_CLASS}/{name}" for name in names), strict=True))
    gone = {name for name, link in links.items() if is_absent(link)}
    return gone if len(gone) < len(names) else set()  # all of them: no such folder, in a recording say


def _read_devices(host: Host, folder: str, names: tuple[str, ...]) -> dict[int, _Device]:
    """Read what stands under each device's number, the target of a running replacement left out."""
    wanted = sorted(int(name) for name in names if _NUMBER.fullmatch(name))
    folders = [f"{folder}/{number}" for number in wanted]
    devices: dict[int, _Device] = {}
    for number, device, raw in zip(wanted, folders, read_each(host, folders, _DEVICE_FILES), strict=True):
        if not is_absent(raw["missing"]) and parse_switch(raw["replace_target"], what="") is not True:
            devices[number] = _Device(
                missing=parse_switch(raw["missing"], what=f"{device}/missing"),
                statistics=parse_error_statistics(raw["error_stats"], what=f"{device}/error_stats"),
            )
    return devices


def _read_level(host: Host, folder: str) -> str | Unread:
    """Read the profile of the data; while it is being converted there are two."""
    space = f"{folder}/allocation/data"
    contents = host.folders(f"{space}/{profile}" for profile in _PROFILES)
    profiles = [profile for profile, files in zip(_PROFILES, contents, strict=True) if not isinstance(files, Unread)]
    return "+".join(profiles) or Unread(space, "no block group has a known profile", Reason.ABSENT)
