"""Names of vendors and devices, from the system's own pci.ids.

Rules of this module: the text (1.4 MB) is searched for the few ids that are asked for and let go; it is never parsed
whole. What a machine without the file lacks is a name, nothing else. What it does not do: it names no classes and no
subsystems.

Source: the head of pci.ids itself describes the format: ``vvvv  vendor``, below it ``<tab>dddd  device``, below that
subsystems with two tabs; ``C cc  class`` begins the classes.
"""

import re
from collections.abc import Collection

from laneproof_collectors.host import Host
from laneproof_collectors.unread import Unread

PCI_IDS_FILES = ("/usr/share/misc/pci.ids", "/usr/share/hwdata/pci.ids")

_PIECE_BYTES = 1 << 21  # a file of the whole machine is larger than what a host gives as one attribute
_PIECES_LIMIT = 8  # 16 MB: no pci.ids is that long
_NAME_LIMIT = 120  # characters
_NEXT_SECTION = re.compile(rb"\n[^\t\n#]")

Ids = tuple[int, int]
"""Vendor id and device id."""

Names = tuple[str | None, str | None]
"""Vendor name and device name."""


def find_names(text: bytes, wanted: Collection[Ids]) -> dict[Ids, Names]:
    """Find the names of some ids in the whole text of pci.ids.

    Returns:
        The names of each, None where the text has none.
    """
    names: dict[Ids, Names] = dict.fromkeys(wanted, (None, None))
    text = b"\n" + text
    for vendor in {vendor for vendor, _ in wanted}:
        heading = b"\n%04x  " % vendor
        if (start := text.find(heading)) < 0:
            continue
        end = match.start() if (match := _NEXT_SECTION.search(text, start + 1)) else len(text)
        vendor_name = _parse_name(text, start + len(heading))
        for ids in wanted:
            if ids[0] == vendor:
                entry = b"\n\t%04x  " % ids[1]
                offset = text.find(entry, start, end)
                names[ids] = (vendor_name, _parse_name(text, offset + len(entry)) if offset >= 0 else None)
    return names


def _parse_name(text: bytes, start: int) -> str | None:
    end = text.find(b"\n", start)
    name = text[start : end if end >= 0 else len(text)].decode("utf-8", "replace")
    return "".join(letter for letter in name if letter.isprintable()).strip()[:_NAME_LIMIT] or None


def select_names(text: bytes, wanted: Collection[Ids]) -> bytes:
    """Write a short pci.ids that names some ids as the whole text does.

    Returns:
        A text in the same format with the names of those ids that have one.
    """
    lines: dict[int, list[str]] = {}
    for (vendor, device), (vendor_name, device_name) in sorted(find_names(text, wanted).items()):
        if vendor_name:
            section = lines.setdefault(vendor, [f"{vendor:04x}  {vendor_name}\n"])
            if device_name:
                section.append(f"\t{device:04x}  {device_name}\n")
    return "".join(line for section in lines.values() for line in section).encode()


def read_names(host: Host, wanted: Collection[Ids]) -> dict[Ids, Names]:
    """Read the names of some ids.

    Returns:
        The names of each, None where the machine has no pci.ids or the file does not know them.
    """
    return find_names(_read_text(host), wanted) if wanted else {}


def _read_text(host: Host) -> bytes:
    for file in PCI_IDS_FILES:
        pieces: list[bytes] = []
        while len(pieces) < _PIECES_LIMIT:
            piece = host.ranges(((file, len(pieces) * _PIECE_BYTES, _PIECE_BYTES),))[0]
            if isinstance(piece, Unread):
                break
            pieces.append(piece)
            if len(piece) < _PIECE_BYTES:
                break
        if pieces:
            return b"".join(pieces)
    return b""
