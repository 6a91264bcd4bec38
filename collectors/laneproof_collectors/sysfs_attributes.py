"""The small files of sysfs and procfs: one value each, as text, a number or a switch; and its folders of links.

Every parser takes what the Host answered, so that a failed reading passes through as it is, and is total: any bytes
give a value or the reason why there is none.
"""

from collections.abc import Iterable, Sequence
from typing import TypeVar

from laneproof_collectors.host import Host
from laneproof_collectors.unread import Reason, Unread

_Value = TypeVar("_Value")
_LONGEST_NUMBER_BYTES = 64  # the kernel prints at most 64 bits; beyond any float there would be no arithmetic
_SHOWN_BYTES = 32  # how much of a wrong answer a person gets to see


def parse_text(raw: bytes | Unread) -> str | Unread:
    """Parse an attribute that is a word or a name, without padding, line ends and NULs around it.

    Returns:
        Its text, bytes that are no UTF-8 replaced; empty where the attribute is.
    """
    return raw if isinstance(raw, Unread) else raw.decode("utf-8", "replace").strip(" \t\r\n\0")


def parse_integer(raw: bytes | Unread, *, what: str, base: int = 10) -> int | Unread:
    r"""Parse an attribute that is one whole number.

    Args:
        raw: The attribute as read, such as ``b"100000\n"``.
        what: Where it was read, for the sentence that a person will see.
        base: 10, 16, or 0 for a number whose prefix gives its base.

    Returns:
        The number, or why there is none.
    """
    if isinstance(raw, Unread):
        return raw
    try:
        if b"_" not in raw and len(raw) <= _LONGEST_NUMBER_BYTES:  # _ is Python's own, no kernel writes it
            return int(raw.strip(b" \t\r\n\0"), base)
    except ValueError:
        pass
    return Unread(what, f"not a whole number: {raw[:_SHOWN_BYTES]!r}")


def parse_switch(raw: bytes | Unread, *, what: str) -> bool | Unread:
    """Parse an attribute that is 0 or 1.

    Returns:
        Whether it is 1, or why that is not known.
    """
    number = parse_integer(raw, what=what)
    if isinstance(number, Unread) or number in (0, 1):
        return number if isinstance(number, Unread) else bool(number)
    return Unread(what, f"neither 0 nor 1: {number}")


def unless_absent(value: _Value | Unread) -> _Value | Unread | None:
    """Turn a reading of what the machine does not have into ``None``, which says just that."""
    return None if is_absent(value) else value


def read_each(host: Host, folders: Iterable[str], names: Sequence[str]) -> list[dict[str, bytes | Unread]]:
    """Read the same files in each of some folders, in one batch.

    Returns:
        For each folder, what was read by the name of the file.
    """
    listed = list(folders)
    answers = iter(host.files(f"{folder}/{name}" for folder in listed for name in names))
    return [dict(zip(names, answers, strict=False)) for _ in listed]


def read_linked(host: Host, folder: str) -> tuple[str, ...] | Unread:
    """List what a folder links to, such as the devices that a driver serves.

    Each link is read, not only listed: a recording knows a folder by what was read below it.

    Returns:
        The links' names, without the files among them, or why the folder could not be listed.
    """
    names = host.folder(folder)
    if isinstance(names, Unread):
        return names
    targets = host.links(f"{folder}/{name}" for name in names)
    return tuple(name for name, target in zip(names, targets, strict=True) if not isinstance(target, Unread))


def is_absent(value: object) -> bool:
    """Find whether a reading failed because there is no such file."""
    return isinstance(value, Unread) and value.reason is Reason.ABSENT
