"""SMBIOS structures: bytes of the firmware's table in, its own words out.

Source of all offsets and codes: DMTF DSP0134, System Management BIOS Reference Specification, by section number.

Rules of this module: no trust. A structure of an older version stops early, so each field is looked for within the
length that the structure states; what lies beyond is ``None`` (a number) or empty (a string). Firmware makers fill
these tables by hand and may be wrong: judging that is for others.
"""

import re
from collections.abc import Iterator
from dataclasses import dataclass

from laneproof_collectors.host import Host
from laneproof_collectors.snapshot import MemoryModule, PhysicalSlot
from laneproof_collectors.sysfs_attributes import is_absent
from laneproof_collectors.unread import Unread

ENTRIES = "/sys/firmware/dmi/entries"  # one folder a structure, by the module dmi-sysfs; for root alone
TABLE = "/sys/firmware/dmi/tables/DMI"  # the whole table, there without that module; for root alone

BIOS, SYSTEM, BASE_BOARD, SYSTEM_SLOT, MEMORY_ARRAY, MEMORY_DEVICE, END_OF_TABLE = 0, 1, 2, 9, 16, 17, 127

_HEADER_BYTES = 4  # 6.1.2: type, length, handle
_ENTRY = re.compile(r"([0-9]{1,3})-([0-9]{1,9})")
_TERMINATOR = b"\0\0"


@dataclass(frozen=True, slots=True, kw_only=True)
class Structure:
    """One structure: its formatted part, header included, and its strings (numbered from 1)."""

    type_code: int
    handle: int
    formatted: bytes
    strings: tuple[str, ...]

    def number(self, offset: int, length: int = 1) -> int | None:
        """Give the little-endian number at an offset; ``None`` where the structure ends before it."""
        field = self.formatted[offset : offset + length]
        return int.from_bytes(field, "little") if len(field) == length else None

    def string(self, offset: int) -> str:
        """Give the string whose number stands at an offset; empty where there is none."""
        index = self.number(offset) or 0
        return self.strings[index - 1] if 0 < index <= len(self.strings) else ""


def parse_structure(raw: bytes | Unread, *, what: str) -> Structure | Unread:
    """Parse one structure: its formatted part, then its strings (``/sys/firmware/dmi/entries/TYPE-N/raw``).

    Returns:
        The structure, or why it is none.

    Source: DSP0134, 6.1.2 and 6.1.3.
    """
    if isinstance(raw, Unread):
        return raw
    length = raw[1] if len(raw) >= _HEADER_BYTES else 0
    if length < _HEADER_BYTES or length > len(raw):
        return Unread(what, f"not an SMBIOS structure: {len(raw)} bytes, of which {length} would be its formatted part")
    strings, _, _ = raw[length:].partition(_TERMINATOR)
    return Structure(
        type_code=raw[0],
        handle=int.from_bytes(raw[2:4], "little"),
        formatted=raw[:length],
        strings=tuple(part.decode("utf-8", "replace").strip() for part in strings.split(b"\0")) if strings else (),
    )


def split_table(raw: bytes) -> Iterator[bytes]:
    """Split a whole table without its entry point, ``/sys/firmware/dmi/tables/DMI``, into structures.

    Yields:
        The bytes of one structure after the other, up to the end-of-table structure or the first that makes no sense.
    """
    offset = 0
    while offset + _HEADER_BYTES <= len(raw) and raw[offset] != END_OF_TABLE and raw[offset + 1] >= _HEADER_BYTES:
        end = raw.find(_TERMINATOR, offset + raw[offset + 1])
        if end < 0:
            return
        yield raw[offset : end + len(_TERMINATOR)]
        offset = end + len(_TERMINATOR)


def read_structures(host: Host, types: tuple[int, ...]) -> tuple[Structure, ...] | Unread:
    """Read all structures of some types.

    Returns:
        The structures in the firmware's order, or why they are not known: one that fails makes the rest incomplete.

    Source: Documentation/ABI/testing/sysfs-firmware-dmi-entries, sysfs-firmware-dmi-tables.
    """
    names = host.folder(ENTRIES)
    if isinstance(names, Unread):
        return _read_from_table(host, types) if is_absent(names) else names
    found = [match for name in names if (match := _ENTRY.fullmatch(name)) and int(match[1]) in types]
    paths = [f"{ENTRIES}/{match[0]}/raw" for match in sorted(found, key=lambda match: (int(match[1]), int(match[2])))]
    structures = [parse_structure(raw, what=path) for path, raw in zip(paths, host.files(paths), strict=True)]
    return _all_or_unread(structures)


def _read_from_table(host: Host, types: tuple[int, ...]) -> tuple[Structure, ...] | Unread:
    raw = host.file(TABLE)
    if isinstance(raw, Unread):
        return raw
    return _all_or_unread([parse_structure(part, what=TABLE) for part in split_table(raw) if part[0] in types])


def _all_or_unread(structures: list[Structure | Unread]) -> tuple[Structure, ...] | Unread:
    failed = next((structure for structure in structures if isinstance(structure, Unread)), None)
    return failed or tuple(structure for structure in structures if isinstance(structure, Structure))


# --- what identifies a box -------------------------------------------------------------------------------

# The strings that facts are made of, by type; every other one may be a serial number, an asset tag or a name.
_KEPT_STRINGS = {
    BIOS: (0x05, 0x08),
    BASE_BOARD: (0x04, 0x05),
    SYSTEM_SLOT: (0x04,),
    MEMORY_DEVICE: (0x10, 0x11, 0x1A),
}
_SYSTEM_UUID = slice(0x08, 0x18)  # 7.2
_FIRST_MAKERS_TYPE = 128  # 6.2: structures of the maker's own, of which nothing is known


def hide_serials(raw: bytes) -> bytes:
    """Blank what identifies a box in a structure or a whole table, every length kept.

    Serial numbers, asset tags, the system's UUID and whatever is not understood are overwritten.
    """
    hidden = b"".join(_hide_in_structure(part) for part in split_table(raw))
    rest = raw[len(hidden) :]
    end = rest[: _HEADER_BYTES + len(_TERMINATOR)] if rest[:1] == bytes((END_OF_TABLE,)) else b""
    return hidden + end + bytes(len(rest) - len(end))


def _hide_in_structure(raw: bytes) -> bytes:
    type_code, length = raw[0], raw[1]
    formatted = bytearray(raw[:length])
    if type_code == SYSTEM:
        uuid = formatted[_SYSTEM_UUID]
        formatted[_SYSTEM_UUID] = bytes(len(uuid))
    if type_code >= _FIRST_MAKERS_TYPE:
        formatted[_HEADER_BYTES:] = bytes(length - _HEADER_BYTES)
    kept = {formatted[offset] for offset in _KEPT_STRINGS.get(type_code, ()) if offset < length}
    strings = raw[length:].split(b"\0")
    shown = (text if number in kept else b"X" * len(text) for number, text in enumerate(strings, start=1))
    return bytes(formatted) + b"\0".join(shown)


# --- types 0 and 2: who made it ------------------------------------------------------------------------------------

# 7.1 and 7.3, by the names that the kernel gives the same fields in /sys/class/dmi/id.
_IDENTITY = {
    BIOS: {"bios_version": 0x05, "bios_date": 0x08},
    BASE_BOARD: {"board_vendor": 0x04, "board_name": 0x05},
}


def find_identity(structure: Structure) -> dict[str, str]:
    """Find the names that a type 0 or 2 structure holds.

    Returns:
        Text by the kernel's name for the field; what is empty, and serial numbers, are left out.
    """
    fields = _IDENTITY.get(structure.type_code, {})
    return {name: text for name, offset in fields.items() if (text := structure.string(offset))}


# --- type 9: slots ----------------------------------------------------------------------------------------------------

_LANES_BY_WIDTH = {0x08: 1, 0x09: 2, 0x0A: 4, 0x0B: 8, 0x0C: 12, 0x0D: 16, 0x0E: 32}  # 7.10.2
# 7.10.1: six codes a generation (any width, then x1 to x16) from these on; B7h is not among them.
_FIRST_CODES = (0xA5, 0xAB, 0xB1, 0xB8, 0xBE)
_LANES_IN_ORDER = (None, 1, 2, 4, 8, 16)
_GROUP_BYTES = 5  # 7.10.9: segment, bus, device and function, width


def _find_lanes(code: int | None) -> int | None:
    """Give the lanes that a slot type code states."""
    first = next((first for first in _FIRST_CODES if code and first <= code < first + len(_LANES_IN_ORDER)), None)
    return None if first is None or code is None else _LANES_IN_ORDER[code - first]


def _find_address(group: bytes) -> str | None:
    """Give ``dddd:bb:dd`` of a group; all ones in a part of it mean that the slot has none."""
    if len(group) < _GROUP_BYTES - 1 or group[:2] == b"\xff\xff" or group[3] == 0xFF:  # noqa: PLR2004 (all ones)
        return None
    return f"{int.from_bytes(group[:2], 'little'):04x}:{group[2]:02x}:{group[3] >> 3:02x}"


def _find_group_lanes(width: int) -> int | None:
    """Give the lanes of a group: boards write the number itself, and some the code of the slot's width (7.10.9)."""
    return width if width in (1, 2, 4, 8, 16, 32) else _LANES_BY_WIDTH.get(width)


def find_slots(structure: Structure) -> tuple[PhysicalSlot, ...]:
    """Turn a type 9 structure into slots: one, and one more for each further group that a split slot lists.

    Returns:
        Slots of one name, each with its own address; a split slot's groups have the lanes of the group.

    Source: DSP0134, 7.10.
    """
    count = structure.number(0x12) or 0
    groups = structure.formatted[0x13 : 0x13 + _GROUP_BYTES * count]
    lanes = _LANES_BY_WIDTH.get(structure.number(0x06) or 0, _find_lanes(structure.number(0x05)))
    base = structure.formatted[0x0D:0x12]
    slots = [
        (_find_address(base), (_find_group_lanes(base[4]) if count and len(base) == _GROUP_BYTES else None) or lanes)
    ]
    for start in range(0, len(groups) - _GROUP_BYTES + 1, _GROUP_BYTES):
        group = groups[start : start + _GROUP_BYTES]
        slots.append((_find_address(group), _find_group_lanes(group[4])))
    return tuple(
        PhysicalSlot(
            name=structure.string(0x04),
            address=address,
            electrical_lanes=own_lanes,
            source="smbios",
        )
        for address, own_lanes in slots
    )


# --- types 16 and 17: memory ------------------------------------------------------------------------------------------

# A type 16 structure is a group of sockets, to which that of each socket points.
ARRAY_USE, ARRAY_ERROR_CORRECTION = 0x05, 0x06  # 7.17; of the latter 7.17.3: 3 none, 5 single-bit, 6 multi-bit
SYSTEM_MEMORY = 0x03  # 7.17.2
ARRAY_OF_DEVICE = 0x04  # 7.18: two bytes, the handle of the socket's array
_UNKNOWN_WORD = 0xFFFF
_EXTENDED_SIZE, _IN_KIB = 0x7FFF, 0x8000  # 7.18: size
_KIB, _MIB = 1 << 10, 1 << 20


def find_memory_module(structure: Structure) -> MemoryModule | None:
    """Turn a type 17 structure into the module that its socket holds.

    Returns:
        The module; ``None`` for an empty socket.

    Source: DSP0134, 7.18.
    """
    size = structure.number(0x0C, 2)
    if size == 0:
        return None
    total, data = structure.number(0x08, 2), structure.number(0x0A, 2)
    known = {0, None, _UNKNOWN_WORD}.isdisjoint((total, data))
    return MemoryModule(
        locator=structure.string(0x10),
        bank=structure.string(0x11),
        size_bytes=_find_size(structure, size),
        rated_mt_s=_find_speed(structure, 0x15, extended=0x54),
        configured_mt_s=_find_speed(structure, 0x20, extended=0x58),
        ecc=total > data if known and total is not None and data is not None else None,
        part=structure.string(0x1A),
    )


def _find_size(structure: Structure, size: int | None) -> int | None:
    if size is None or size == _UNKNOWN_WORD:
        return None
    if size == _EXTENDED_SIZE:
        extended = structure.number(0x1C, 4)
        return None if extended is None else (extended & 0x7FFFFFFF) * _MIB
    return (size & ~_IN_KIB) * (_KIB if size & _IN_KIB else _MIB)


def _find_speed(structure: Structure, offset: int, *, extended: int) -> int | None:
    speed = structure.number(offset, 2)
    if speed == _UNKNOWN_WORD:
        speed = (structure.number(extended, 4) or 0) & 0x7FFFFFFF
    return speed or None
