"""Mounted file systems that lie on the box's disks: how full they are, and whether they turned read-only.

A file system that meets an error turns its *super block* read-only; a service that runs sandboxed sees every *mount*
read-only besides. So what counts is the super block's own option, and the mount's option only says whether somebody
wanted it so (proc_pid_mountinfo(5): fields 6 and 11).
"""

import re
from collections.abc import Iterable, Iterator
from typing import NamedTuple

from laneproof_collectors.host import Host
from laneproof_collectors.questions import Answer, FileSystem, FileSystemFigures
from laneproof_collectors.snapshot import MountedFileSystem
from laneproof_collectors.unread import Unread

MACHINES_TABLE = "/proc/1/mountinfo"  # what the first process sees; not everybody may read it
OWN_TABLE = "/proc/self/mountinfo"  # what this process sees: where it is sandboxed, with options of the sandbox

_ON_A_DISK = re.compile(r"/dev/(?:nvme|sd|md|dm-|mapper/)")
_WITHOUT_A_DISK_OF_THEIR_OWN = ("btrfs", "zfs")  # named by a label, a UUID or a pool
# ext4 since 6.15 keeps the flag of the super block and says this instead (fs/ext4/super.c; from memory).
_TURNED_READ_ONLY = frozenset({"ro", "emergency_ro"})
_ESCAPE = re.compile(r"\\([0-7]{3})")  # space, tab, newline and backslash (fs/proc_namespace.c, mangle)
_BEFORE_TAGS, _AFTER_SEPARATOR = 6, 3


class _Mount(NamedTuple):
    """One line of a mount table."""

    file_system: str  # what is one file system, however often it is mounted
    root: str
    mount: str
    device: str
    kind: str
    read_only: bool
    mounted_read_only: bool | None  # None: a sandbox's table does not say


def _unescape(text: str) -> str:
    return _ESCAPE.sub(lambda match: chr(int(match[1], 8)), text)


def parse_mount_info(raw: bytes) -> Iterator[_Mount]:
    """Parse a ``mountinfo`` table.

    Yields:
        One mount a line, in the order they were made; a line that is none is passed over.

    Source: proc_pid_mountinfo(5).
    """
    for line in raw.decode("utf-8", "replace").splitlines():
        front, separator, back = line.partition(" - ")
        fields, rest = front.split(), back.split(maxsplit=_AFTER_SEPARATOR - 1)
        if separator and len(fields) >= _BEFORE_TAGS and len(rest) == _AFTER_SEPARATOR:
            yield _Mount(
                file_system=fields[2],
                root=_unescape(fields[3]),
                mount=_unescape(fields[4]),
                device=_unescape(rest[1]),
                kind=rest[0],
                read_only=not _TURNED_READ_ONLY.isdisjoint(rest[2].split(",")),
                mounted_read_only="ro" in fields[5].split(","),
            )


def _is_on_a_disk(mount: _Mount) -> bool:
    return mount.kind in _WITHOUT_A_DISK_OF_THEIR_OWN or bool(_ON_A_DISK.match(mount.device))


def choose_mounts(mounts: Iterable[_Mount]) -> list[_Mount]:
    """Choose one mount for each file system on a disk.

    Returns:
        Of the mounts of one file system (bind mounts, subvolumes, data sets of one pool) the one that shows most of it:
        its own root, and of several the shortest path.
    """
    chosen: dict[str, _Mount] = {}
    for mount in {mount.mount: mount for mount in mounts}.values():  # the later of two at one place hides the earlier
        if not _is_on_a_disk(mount):
            continue
        key = mount.device.partition("/")[0] if mount.kind == "zfs" else mount.file_system
        known = chosen.get(key)
        if known is None or _rank(mount) < _rank(known):
            chosen[key] = mount
    return sorted(chosen.values(), key=lambda mount: mount.mount)


def _rank(mount: _Mount) -> tuple[bool, int, int, str]:
    return mount.root != "/", mount.device.count("/"), len(mount.mount), mount.mount


def _read_mounts(host: Host) -> list[_Mount] | Unread:
    """Read the mount table that shows most of what this process sees mounted."""
    machines, own = (
        raw if isinstance(raw, Unread) else list(parse_mount_info(raw))
        for raw in host.files((MACHINES_TABLE, OWN_TABLE))
    )
    if isinstance(machines, list) and (isinstance(own, Unread) or _find_root(machines) == _find_root(own)):
        return machines
    if isinstance(own, list):
        return [mount._replace(mounted_read_only=None) for mount in own] if _is_sandboxed(own) else own
    return own


def _find_root(mounts: list[_Mount]) -> str | None:
    """Give the file system that a table's own root is on: another one means another container's table."""
    return next((mount.file_system for mount in reversed(mounts) if mount.mount == "/"), None)


def _is_sandboxed(mounts: list[_Mount]) -> bool:
    """Find whether mounts were made read-only for this process alone, so that their options say nothing (see above)."""
    return any(
        mount.mounted_read_only and not mount.read_only and (mount.mount in ("/", "/run") or _is_on_a_disk(mount))
        for mount in mounts
    )


def read_file_systems(host: Host) -> tuple[MountedFileSystem, ...] | Unread:
    """Read the mounted file systems on the box's disks.

    Returns:
        One entry a file system, by mount point. One that hangs costs its own figures only.
    """
    mounts = _read_mounts(host)
    if isinstance(mounts, Unread):
        return mounts
    chosen = choose_mounts(mounts)
    answers = host.ask([FileSystem(mount.mount) for mount in chosen])
    return tuple(_make_file_system(mount, answer) for mount, answer in zip(chosen, answers, strict=True))


def _make_file_system(mount: _Mount, answer: Answer) -> MountedFileSystem:
    figures = answer if isinstance(answer, FileSystemFigures | Unread) else Unread(mount.mount, "no figures")
    return MountedFileSystem(
        mount=mount.mount,
        device=mount.device,
        kind=mount.kind,
        size_bytes=figures if isinstance(figures, Unread) else figures.size_bytes,
        available_bytes=figures if isinstance(figures, Unread) else figures.available_bytes,
        free_bytes=figures if isinstance(figures, Unread) else figures.free_bytes,
        read_only=mount.read_only,
        declared_read_only=mount.mounted_read_only,
    )
