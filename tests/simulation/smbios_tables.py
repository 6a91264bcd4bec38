"""SMBIOS structures and whole tables for tests, written field by field at the offsets of DMTF DSP0134."""

from collections.abc import Iterable, Mapping
from typing import Final

LITTLE: Final = "little"


def structure(
    type_code: int,
    length: int,
    fields: Mapping[int, int | tuple[int, int]],
    strings: Iterable[str] = (),
    handle: int = 0,
) -> bytes:
    """Build one structure: `fields` by offset, a byte each, or (value, bytes)."""
    formatted = bytearray(length)
    formatted[:4] = bytes((type_code, length)) + handle.to_bytes(2, LITTLE)
    for offset, value in fields.items():
        number, size = value if isinstance(value, tuple) else (value, 1)
        formatted[offset : offset + size] = number.to_bytes(size, LITTLE)
    text = b"".join(string.encode() + b"\0" for string in strings)
    return bytes(formatted) + (text or b"\0") + b"\0"


def table(*structures: bytes) -> bytes:
    """Join structures and end the table."""
    return b"".join(structures) + structure(127, 4, {}, handle=0xFEFF)


def dump(*structures: bytes) -> bytes:
    """Give a file as ``dmidecode --dump-bin`` writes it: 64-bit entry point (5.2.2), then the table at 32."""
    whole = table(*structures)
    entry = bytearray(b"_SM3_\0\x18\x03\x05\x00\x01\0" + len(whole).to_bytes(4, LITTLE) + (32).to_bytes(8, LITTLE))
    entry[5] = -sum(entry) & 0xFF
    return bytes(entry).ljust(32, b"\0") + whole


def slot(
    name: str,
    *,
    type_code: int,
    width: int,
    usage: int = 4,
    location: tuple[int, int, int] = (0xFFFF, 0xFF, 0xFF),
    base_width: int = 0,
    peers: Iterable[tuple[int, int, int, int]] = (),
    characteristics_2: int = 0,
    generation: int = 0,
    length: int | None = None,
) -> bytes:
    """Build a type 9 structure; `location` and `peers` are segment, bus, device.function (and lanes)."""
    groups = list(peers)
    full = 0x18 + 5 * len(groups)
    fields: dict[int, int | tuple[int, int]] = {
        0x04: 1, 0x05: type_code, 0x06: width, 0x07: usage, 0x08: 4, 0x0B: 0x0C, 0x0C: characteristics_2,
        0x0D: (location[0], 2), 0x0F: location[1], 0x10: location[2], 0x11: base_width, 0x12: len(groups),
        0x13 + 5 * len(groups): generation, 0x14 + 5 * len(groups): width,
    }  # fmt: skip
    for number, (segment, bus, device_function, lanes) in enumerate(groups):
        at = 0x13 + 5 * number
        fields |= {at: (segment, 2), at + 2: bus, at + 3: device_function, at + 4: lanes}
    built = structure(9, full, fields, [name], handle=0x0900)
    return built if length is None else cut(built, full, length)


def memory_array(*, use: int = 3, error_correction: int = 3, handle: int = 0x1000) -> bytes:
    """Build a type 16 structure."""
    return structure(16, 0x17, {0x04: 3, 0x05: use, 0x06: error_correction, 0x0D: (4, 2)}, handle=handle)


def memory_device(
    *,
    size: int,
    extended_size: int = 0,
    total_width: int = 64,
    data_width: int = 64,
    type_code: int = 0x22,
    rated: int = 5600,
    configured: int = 4800,
    extended_rated: int = 0,
    extended_configured: int = 0,
    rank: int = 1,
    array: int = 0x1000,
    locator: str = "DIMM_A1",
    length: int = 0x5C,
) -> bytes:
    """Build a type 17 structure; `size` is the raw code at 0Ch."""
    fields: dict[int, int | tuple[int, int]] = {
        0x04: (array, 2), 0x06: (0xFFFE, 2), 0x08: (total_width, 2), 0x0A: (data_width, 2), 0x0C: (size, 2), 0x0E: 9,
        0x10: 1, 0x11: 2, 0x12: type_code, 0x13: (0x80, 2), 0x15: (rated, 2), 0x17: 3, 0x18: 4, 0x1A: 5, 0x1B: rank,
        0x1C: (extended_size, 4), 0x20: (configured, 2), 0x28: 3, 0x54: (extended_rated, 4),
        0x58: (extended_configured, 4),
    }  # fmt: skip
    strings = [locator, "BANK 0", "Brine Memory", "SN-0001", "BM-5600-32 "]
    return cut(structure(17, 0x5C, fields, strings, handle=0x1100), 0x5C, length)


def cut(built: bytes, full: int, length: int) -> bytes:
    """Shorten a structure's formatted part, as an older version of the standard would have written it."""
    return bytes((built[0], length)) + built[2:length] + built[full:]
