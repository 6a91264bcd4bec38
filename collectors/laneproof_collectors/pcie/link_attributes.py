"""A function's own account of its link, from its four sysfs attributes.

Rules of this module: only rates and widths that a standard names count as readings. A width of 0 says that no link
trained, which is an answer; ``Unknown``, 255 (the kernel could not read the register) and 63 (it read all ones) are no
answers.

Source: Linux drivers/pci/pci-sysfs.c, ``current_link_speed_show`` and its neighbours; drivers/pci/probe.c,
``pci_speed_string``. Kernels to 5.6 wrote ``8 GT/s`` and ``Unknown speed``.
"""

from collections.abc import Sequence
from functools import lru_cache

from laneproof_collectors.snapshot import LinkEnd
from laneproof_collectors.sysfs_attributes import is_absent
from laneproof_collectors.unread import Reason, Unread

LINK_ATTRIBUTES = ("current_link_speed", "current_link_width", "max_link_speed", "max_link_width")
"""In the order in which `parse_link_end` takes them."""

NO_LINK = LinkEnd(trained_gt_s=None, trained_lanes=None, capable_gt_s=None, capable_lanes=None)

_ENDS = (b" GT/s PCIe\n", b" GT/s PCIe", b" GT/s\n", b" GT/s")
_SPEEDS = {
    number + end: rate
    for numbers, rate in (
        ((b"2.5",), 2.5), ((b"5.0", b"5"), 5.0), ((b"8.0", b"8"), 8.0),
        ((b"16.0", b"16"), 16.0), ((b"32.0", b"32"), 32.0), ((b"64.0", b"64"), 64.0),
    )
    for number in numbers
    for end in _ENDS
}  # fmt: skip
_UNKNOWN_SPEEDS = (b"Unknown", b"Unknown speed")
# PCI_EXP_LNKCAP_MLW and PCI_EXP_LNKSTA_NLW (pci_regs.h): x1 to x32, and 0 before a link trains.
_WIDTHS = {b"%d" % width + end: width for width in (0, 1, 2, 4, 8, 12, 16, 32) for end in (b"\n", b"")}
_UNREAD_WIDTH = b"255"  # PCIE_LNK_WIDTH_UNKNOWN, include/linux/pci.h
_ALL_ONES_WIDTH = b"63"  # six bits of ones


def parse_link_speed(raw: bytes | Unread, *, what: str) -> float | Unread:
    r"""Parse ``current_link_speed`` or ``max_link_speed``, such as ``b"16.0 GT/s PCIe\n"``.

    Returns:
        The transfer rate in GT/s, or why there is none.
    """
    if isinstance(raw, Unread):
        return raw
    if (rate := _SPEEDS.get(raw)) is not None:
        return rate
    if raw.rstrip(b"\n") in _UNKNOWN_SPEEDS:
        return Unread(what, "the kernel finds no known rate in the register (Unknown)")
    return Unread(what, f"not a link speed: {raw[:32]!r}")


def parse_link_width(raw: bytes | Unread, *, what: str) -> int | Unread:
    r"""Parse ``current_link_width`` or ``max_link_width``, such as ``b"4\n"``.

    Returns:
        The lanes, 0 where no link trained, or why there is no number.
    """
    if isinstance(raw, Unread):
        return raw
    if (width := _WIDTHS.get(raw)) is not None:
        return width
    if raw.rstrip(b"\n") == _ALL_ONES_WIDTH:
        return Unread(what, "the register reads all ones (63 lanes): the function does not answer", Reason.GONE)
    if raw.rstrip(b"\n") == _UNREAD_WIDTH:
        return Unread(what, "the kernel could not read the register (255 lanes)", Reason.FAILED)
    return Unread(what, f"not a link width: {raw[:32]!r}")


def parse_link_end(raws: Sequence[bytes | Unread], *, folder: str) -> LinkEnd:
    """Parse the four attributes that were read of one function, in the order of `LINK_ATTRIBUTES`.

    Returns:
        The end; `NO_LINK` where none of the attributes is there.
    """
    if all(map(is_absent, raws)):
        return NO_LINK
    speed, width, fastest, widest = raws
    files = [f"{folder}/{name}" for name in LINK_ATTRIBUTES]
    lanes = parse_link_width(widest, what=files[3])
    return _share_end(
        parse_link_speed(speed, what=files[0]),
        parse_link_width(width, what=files[1]),
        parse_link_speed(fastest, what=files[2]),
        lanes if lanes != 0 else Unread(files[3], "it says that the end can hold no lanes (0)"),
    )


# A box has few different links: equal ones are one value.
@lru_cache(maxsize=256)
def _share_end(
    trained: float | Unread, trained_lanes: int | Unread, capable: float | Unread, capable_lanes: int | Unread
) -> LinkEnd:
    return LinkEnd(trained_gt_s=trained, trained_lanes=trained_lanes, capable_gt_s=capable, capable_lanes=capable_lanes)


def is_silent(raws: Sequence[bytes | Unread]) -> bool:
    """Whether the link's status register read all ones: the function is gone from the bus."""
    speed, width, *_ = raws
    return (
        not isinstance(speed, Unread)
        and not isinstance(width, Unread)
        and width.rstrip(b"\n") == _ALL_ONES_WIDTH
        and speed.rstrip(b"\n") in _UNKNOWN_SPEEDS
    )


def is_blank(end: LinkEnd) -> bool:
    """Whether an end knows nothing at all of a link: no rate, no lanes, neither trained nor possible."""
    return (
        end.trained_lanes == 0
        and isinstance(end.trained_gt_s, Unread)
        and isinstance(end.capable_gt_s, Unread)
        and isinstance(end.capable_lanes, Unread)
    )
