"""From any name that a person may have for a drive to the position that it is in. Pure.

A name is the label of a position, what the kernel calls a drive, a disk, a partition or an array's member, a serial
number or a part of it that only one drive has, a bus address, a path, or what udev derives from model and serial
number. Where a name fits several positions, nothing is chosen: the error names them all.
"""

import difflib
import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

from laneproof.box.link_ends import Link
from laneproof.box.occupants import Occupant, is_about
from laneproof.box.placement import Arrangement, arrange
from laneproof.declaration.build import Build
from laneproof.declaration.tables import DeclaredPosition
from laneproof.findings import Finding
from laneproof_collectors.disks.whole_disks import find_whole_disk
from laneproof_collectors.snapshot import Array, ArrayMember, MountedFileSystem, Snapshot
from laneproof_collectors.unread import if_read

SHORTEST_PART = 3
"""A part of a serial number must be at least this long to name a drive."""
_MOST_NAMED = 6  # positions in the sentence about a name that fits several

_ADDRESS = re.compile(r"(?:([0-9a-f]{4,}):)?([0-9a-f]{2}:[0-9a-f]{2})(?:\.([0-7]))?")
_PART = re.compile(r"-part\d+")
_NOT_IN_LINKS = re.compile(r"[^A-Za-z0-9#+\-.:=@_]")  # udev replaces these in names of links (systemd, udev(7))


class UnknownNameError(ValueError):
    """A name that leads to no position, or to several. The sentence says which, and what is near."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Membership:
    """A drive's part in an array."""

    array: Array
    member: ArrayMember


@dataclass(frozen=True, slots=True, kw_only=True)
class Position:
    """One position, and all that helps a person to find it.

    Attributes:
        path: Its path.
        known_as: What the name that was asked for is to it, such as ``a disk on it``.
        declared: The position as declared, None where it is not.
        occupant: The device in it, None where it is empty.
        links: The links from the host bridge down to it.
        board_names: What the board's maker or the firmware calls it.
        memberships: The arrays that the drive is in.
        file_systems: The mounted file systems that lie on it alone, below encryption or logical volumes as well.
    """

    path: str
    known_as: str
    declared: DeclaredPosition | None
    occupant: Occupant | None
    links: tuple[Link, ...]
    board_names: tuple[str, ...]
    memberships: tuple[Membership, ...]
    file_systems: tuple[MountedFileSystem, ...]

    @property
    def link(self) -> Link | None:
        """The link that ends in it, None where none does."""
        return next((link for link in self.links if link.path == self.path), None)

    @property
    def name(self) -> str:
        """The position's label, else the path."""
        return self.declared.label if self.declared else self.path

    def is_subject_of(self, finding: Finding) -> bool:
        """Whether a finding is about this position or the device in it."""
        return is_about(finding, self.path, self.declared.label if self.declared else None, self.occupant)


def find_drives(name: str, build: Build | None, snapshot: Snapshot) -> tuple[Position, ...]:
    """Find the position or positions that a name stands for.

    Args:
        name: The name, without or with ``/dev/`` before it.
        build: The declaration, for labels; None where there is none.
        snapshot: The facts.

    Returns:
        One position; several only for an array's name, which stands for all its members.

    Raises:
        UnknownNameError: No position has this name, or several do and it is no array's.
    """
    book = _NameBook(arrange(build, snapshot))
    wanted = name.removeprefix("/dev/").strip()
    if members := book.find_members(wanted):
        return tuple(book.describe(path, known_as) for path, known_as in members)
    found = dict(book.find_exact(wanted)) or dict(book.find_by_part(wanted))
    if not found:
        raise UnknownNameError(_say_unknown(name, book))
    if len(found) > 1:
        fits = [f"{book.name_of(path)} ({known_as})" for path, known_as in sorted(found.items())]
        more = f" and {len(fits) - _MOST_NAMED} more" if len(fits) > _MOST_NAMED else ""
        raise UnknownNameError(f"{name!r} could be {', '.join(map(_show, fits[:_MOST_NAMED]))}{more}; give more of it")
    return tuple(book.describe(path, known_as) for path, known_as in found.items())


def describe_position(path: str, build: Build | None, snapshot: Snapshot) -> Position:
    """Describe the position at a path, whatever is in it."""
    return _NameBook(arrange(build, snapshot)).describe(path, "its path")


def derive_link_names(occupant: Occupant) -> tuple[str, ...]:
    """Give the names below ``/dev/disk/by-id`` that udev makes of a drive's identity.

    Source: systemd, rules.d/60-persistent-storage.rules: wwid, model and serial number, those with the namespace.
    """
    names: list[str] = []
    who = [text for text in (occupant.model, occupant.serial) if isinstance(text, str) and text]
    if len(who) < 2:  # noqa: PLR2004 (model and serial)
        return ()
    joined = _NOT_IN_LINKS.sub("_", "_".join(" ".join(text.split()) for text in who))
    if occupant.controller is not None:
        names.append(f"nvme-{joined}")
        for namespace in occupant.controller.namespaces:
            names += [f"nvme-{joined}_{namespace.number}"] if isinstance(namespace.number, int) else []
            names += [f"nvme-{namespace.wwid}"] if namespace.wwid else []
    elif occupant.drive is not None:
        names.append(f"{'ata' if occupant.drive.interface == 'sata' else occupant.drive.interface}-{joined}")
    return tuple(names)


class _NameBook:
    """All names of all positions of one machine."""

    def __init__(self, arrangement: Arrangement) -> None:
        self._arrangement = arrangement
        self._build, self._snapshot, self._tree = arrangement.build, arrangement.snapshot, arrangement.topology
        self._drives = {occupant.path: occupant for occupant in self._tree.drive_occupants()}
        self._homes = {disk: path for path, drive in self._drives.items() for disk in drive.disks}

    def name_of(self, path: str) -> str:
        """Name a position for a person."""
        return self._arrangement.label_by_path.get(path) or path

    # --- finding --------------------------------------------------------------------------------------------------

    def find_members(self, wanted: str) -> list[tuple[str, str]]:
        """Find the positions of an array's members: all of them, or of the one behind the colon."""
        name, colon, which = wanted.partition(":")
        array = next((known for known in if_read(self._snapshot.arrays) if known.name == name), None)
        if array is None or (colon and not which):
            return []
        found = []
        for member in array.members:
            path = self._homes.get(member.disk)
            if path is not None and (not colon or which in (str(member.slot), member.name, member.disk)):
                found.append((path, f"{_say_member(member)} of {array.name}"))
        return found

    def find_exact(self, wanted: str) -> Iterator[tuple[str, str]]:
        """Find the positions that have exactly this name, each with what the name is to it."""
        if self._build and (position := self._build.position_named(wanted)):
            yield position.path, "its label"
        yield from self._find_by_path(wanted)
        yield from self._find_by_address(wanted.casefold())
        for path, drive in self._drives.items():
            if known_as := self._find_in_drive(wanted, drive):
                yield path, known_as
        for path, interface in self._list_interfaces():
            if wanted == interface:
                yield path, "its network interface"

    def _find_in_drive(self, wanted: str, drive: Occupant) -> str:
        """Say what a name is to a drive; empty where it is none of its names."""
        disk = find_whole_disk(wanted)
        others = (self._tree.occupant_at(path) for path in drive.other_paths)
        if wanted == drive.name:
            return "what the kernel calls it"
        if disk in drive.disks:
            return "a disk on it" if disk == wanted else "a partition on it"
        if isinstance(drive.serial, str) and drive.serial and wanted.casefold() == drive.serial.casefold():
            return "its serial number"
        if self._is_identifier(wanted, drive):
            return "an identifier of it"
        if not set(self._tree.mapped.get(wanted, ())).isdisjoint(drive.disks):
            return "a mapped device on it"
        return "what the kernel calls another way to it" if any(way and way.name == wanted for way in others) else ""

    def _find_by_path(self, wanted: str) -> Iterator[tuple[str, str]]:
        path = wanted.removesuffix("/")
        if "/" not in path:
            return
        function = self._tree.functions.get(path)
        if path in self._arrangement.label_by_path or path in self._drives or (function and function.is_bridge):
            yield path, "its path"
        elif function is not None:
            yield function.path, "its path" if function.path == path else "the path of the device in it"

    def _find_by_address(self, wanted: str) -> Iterator[tuple[str, str]]:
        match = _ADDRESS.fullmatch(wanted)
        if match is None:
            return
        address = f"{match[1] or '0000'}:{match[2]}"
        for function in self._tree.functions.values():
            device, _, number = function.address.rpartition(".")
            if device != address or (match[3] or number) != number:
                continue
            if function.is_bridge:
                yield function.own_path, "the bus address of its port"
            else:
                yield function.path, "its bus address"

    @staticmethod
    def _is_identifier(wanted: str, occupant: Occupant) -> bool:
        link = _PART.sub("", wanted.removeprefix("disk/by-id/"))
        if link in derive_link_names(occupant):
            return True
        namespaces = occupant.controller.namespaces if occupant.controller else ()
        return any(
            link in filter(None, (namespace.wwid, namespace.eui64, namespace.nguid, namespace.uuid))
            for namespace in namespaces
        )

    def _list_interfaces(self) -> Iterator[tuple[str, str]]:
        for function in self._tree.functions.values():
            for interface in self._tree.interfaces.get(function.address, ()):
                yield function.path, interface.name

    def find_by_part(self, wanted: str) -> Iterator[tuple[str, str]]:
        """Find the drives whose serial number holds this part, or stands in a longer name such as a link's."""
        part = wanted.removeprefix("disk/by-id/").casefold()
        if len(part) < SHORTEST_PART:
            return
        for path, drive in self._drives.items():
            serial = drive.serial.casefold() if isinstance(drive.serial, str) else ""
            if serial and part in serial:
                yield path, f"a part of its serial number {drive.serial}"
            elif len(serial) > SHORTEST_PART and _NOT_IN_LINKS.sub("_", serial) in _PART.sub("", part).split("_"):
                yield path, f"a name with its serial number {drive.serial}"

    # --- describing -----------------------------------------------------------------------------------------------

    def list_names(self) -> Iterator[str]:
        """List the names worth a try, for near misses."""
        yield from self._arrangement.label_by_path.values()
        for drive in self._drives.values():
            yield drive.name
            yield from drive.disks
            if isinstance(drive.serial, str) and drive.serial:
                yield drive.serial
        yield from (array.name for array in if_read(self._snapshot.arrays))

    def describe(self, path: str, known_as: str) -> Position:
        """Gather what is known of a position."""
        occupant = self._drives.get(path) or self._tree.occupant_at(path)
        disks = occupant.disks if occupant else ()
        return Position(
            path=path,
            known_as=known_as,
            declared=self._build.position_at(path) if self._build else None,
            occupant=occupant,
            links=self._tree.links_to(path),
            board_names=tuple(self._name_by_board(path, occupant)),
            memberships=tuple(
                Membership(array=array, member=member)
                for array in if_read(self._snapshot.arrays)
                for member in array.members
                if member.disk in disks
            ),
            file_systems=tuple(
                file_system
                for file_system in if_read(self._snapshot.file_systems)
                if file_system.device.startswith("/dev/")
                and self._lies_on_alone(file_system.device.removeprefix("/dev/"), disks)
            ),
        )

    def _lies_on_alone(self, name: str, disks: Sequence[str]) -> bool:
        """Whether a disk, a partition or a mapped device lies on one drive's disks and on no other's."""
        below = self._tree.mapped.get(name, (find_whole_disk(name),))
        return bool(below) and set(below) <= set(disks)

    def _name_by_board(self, path: str, occupant: Occupant | None) -> Iterator[str]:
        port = self._tree.port_at(path)
        near = [*(occupant.functions if occupant else ()), *([port] if port else [])]
        devices = {function.address.rpartition(".")[0] for function in near}
        names = [function.label for function in near if function.label]
        names += [slot.name for slot in if_read(self._snapshot.slots) if slot.address in devices]
        return iter(dict.fromkeys(names))


def _say_member(member: ArrayMember) -> str:
    return f"member {member.slot}" if member.slot is not None else "a member"


def _say_unknown(name: str, book: _NameBook) -> str:
    names = list(dict.fromkeys(book.list_names()))
    if not names:
        return f"nothing here is called {name!r}: no drive is there, and no position is declared"
    plain = name.removeprefix("/dev/").removeprefix("disk/by-id/")
    close = difflib.get_close_matches(plain, names, n=3) or _find_alike(plain, names)
    *front, last = [name for name in names if name in close] or [""]
    near = f"{', '.join(map(_show, front))} or {_show(last)}" if front else _show(last)
    hint = f"did you mean {near}?" if near else "try a label, nvme0, a serial number or a bus address"
    return f"nothing here is called {name!r}; {hint}"


def _show(name: str) -> str:
    return name if name.isprintable() else repr(name)


def _find_alike(name: str, names: Iterable[str]) -> list[str]:
    """Find names that differ in case only, or begin alike."""
    start = name.casefold()[:SHORTEST_PART]
    return [name for name in names if start and name.casefold().startswith(start)][:3]
