"""How a kernel message is described: the kind of event it reports, and one table row a format.

The rows themselves stand in `pcie` and its siblings, written from the format strings of the kernel's
source; the file is named in each row. Rules of the tables: a pattern is anchored at the message's own first word (after
the "driver device: " that the kernel's dev_printk puts before it), so that text which only quotes a kernel message is
never taken for one; and a row is found by that first word, so that the many lines which concern nobody cost one search
in a dictionary.
"""

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from functools import cache

ADDRESS = r"[0-9a-f]{4,8}:[0-9a-f]{2}:[0-9a-f]{2}\.[0-7]"
"""A PCI address: four digits of domain, five and more where a controller makes domains of its own."""

HEX = r"0x[0-9a-f]+"


class EventKind(StrEnum):
    """What a kernel message reports."""

    CONTROLLER_DOWN = "controller_down"  # a reset is wanted, or failing
    IO_TIMEOUT = "io_timeout"  # a command got no answer in time
    DEVICE_REMOVED = "device_removed"  # the kernel gave the device up, or the card is gone
    PROBE_FAILED = "probe_failed"  # first bring-up failed
    AER_CORRECTABLE = "aer_correctable"
    AER_UNCORRECTABLE = "aer_uncorrectable"
    LINK_DOWN = "link_down"  # a slot's or port's link
    LINK_UP = "link_up"
    BANDWIDTH_LIMITED = "bandwidth_limited"  # a link offers less than the device could use
    DPC = "dpc"  # a port cut its link to contain an error
    MEDIA_ERROR = "media_error"  # data could not be recovered from the medium
    IO_ERROR = "io_error"  # other failed input or output
    ARRAY_DEGRADED = "array_degraded"
    BOND_LINK_DOWN = "bond_link_down"  # a member of a bond lost its link


Judge = Callable[[dict[str, str]], EventKind | None]
"""Decides the kind from a pattern's groups, which it may put into plain words; None where the line is harmless."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Format:
    """One message of the kernel.

    Attributes:
        openings: The first words under which the row is found (see `opening_of`).
        pattern: The message after its subject, compiled when first needed. Named groups become the event's detail;
            the group ``device`` names who erred where that is not the subject.
        kind: What it reports, or who decides that.
        source: The file of the kernel that prints it, and from and to which version where that matters.
        continues: It adds to a report that an earlier line opened, and is an event of its own only where it is alone.
        detail: What the message says by its mere presence.
    """

    openings: tuple[str, ...]
    pattern: str
    kind: EventKind | Judge
    source: str
    continues: bool = False
    detail: Mapping[str, str] = field(default_factory=dict)


FormatTable = Mapping[str, tuple[Format, ...]]


def row(
    kind: EventKind | Judge, openings: str, pattern: str, source: str, *, continues: bool = False, **detail: str
) -> Format:
    """Make a `Format`; its possible first words are separated by blanks, and further keywords are its detail."""
    words = tuple(openings.split())
    return Format(openings=words, pattern=pattern, kind=kind, source=source, continues=continues, detail=detail)


def by_opening(*rows: Format) -> FormatTable:
    """Arrange rows for look-up by a message's first word; rows keep their order, the first that matches counts."""
    found: dict[str, list[Format]] = {}
    for form in rows:
        for opening in form.openings:
            found.setdefault(opening, []).append(form)
    return {opening: tuple(forms) for opening, forms in found.items()}


_OPENING = re.compile(r"[A-Za-z_][\w'/-]*")


def opening_of(text: str) -> str:
    """Give the key under which a message's rows stand: its first word, ``#`` for a number, else its first character."""
    if word := _OPENING.match(text):
        return word[0]
    return "#" if text[:1].isdigit() else text[:1]


@cache
def _compile(pattern: str) -> re.Pattern[str]:
    return re.compile(pattern)


Found = tuple[Format, EventKind, dict[str, str]]
"""A row that fits, the kind it decided on, and its detail in words."""


def match_format(form: Format, text: str) -> Found | None:
    """Try one row on a message after its subject, without leading blanks.

    Returns:
        The row, the kind and the detail; None where the row does not fit, or finds the message harmless.
    """
    match = _compile(form.pattern).match(text)
    if match is None:
        return None
    groups = {name: value for name, value in match.groupdict().items() if value is not None}
    kind = form.kind if isinstance(form.kind, EventKind) else form.kind(groups)
    return None if kind is None else (form, kind, {**form.detail, **groups})


def find_format(table: FormatTable, text: str) -> Found | None:
    """Find the row that a message was printed by; it comes as `match_format` takes it.

    Returns:
        The row, the kind and the detail; None where no row speaks of it or it is harmless.
    """
    for form in table.get(opening_of(text), ()):
        if found := match_format(form, text):
            return found
    return None
