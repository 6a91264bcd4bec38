"""Records of the kernel log, as the ring gives them and as the journal kept them.

Rules of this module: parsing is total, any text gives a record or a reason; and whether the kernel itself wrote a
record is taken only from what a program cannot set: the facility in the ring, the transport in the journal.
"""

import json
import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from laneproof_collectors.unread import Reason, Unread

_MICROSECONDS = 1_000_000
_LEVEL_MASK = 0x7  # syslog: severity in bits 2:0, facility above (RFC 5424, section 6.2.1)
_USER_FACILITY = 1
_SHOWN = 40  # characters of a bad record in the sentence about it


@dataclass(frozen=True, slots=True, kw_only=True)
class KernelRecord:
    """One record of the kernel log, from the ring or from the journal.

    Attributes:
        priority: syslog's severity, 0 (emergency) to 7 (debug).
        facility: 0 is the kernel; anything else was written by a program.
        sequence: The record's number in the ring; None where it came from the journal.
        up_seconds: Seconds since boot by the monotonic clock, which stops in suspend; None where the journal has none.
        text: The message, escapes undone; it may hold more than one line.
        device: Which device it is about, as the kernel names it (``+pci:0000:01:00.0``); empty where it does not say.
        boot_id: The boot it belongs to, where known.
        unix_seconds: When it was received, by the wall clock; None where it came from the ring.
    """

    priority: int
    facility: int
    sequence: int | None
    up_seconds: float | None
    text: str
    device: str = ""
    boot_id: str | None = None
    unix_seconds: float | None = None


_RECORD = re.compile(r"(\d{1,10}),(\d{1,20}),(\d{1,20})(?:,[^;]*)?;([^\n]*)(.*)", re.ASCII | re.DOTALL)
_DEVICE = re.compile(r"^ DEVICE=(.*)$", re.MULTILINE)
_ESCAPES = re.compile(r"(?:\\x[0-9a-fA-F]{2})+")


def unescape(text: str) -> str:
    r"""Undo the escapes of ``/dev/kmsg``: each byte that is not printable ASCII, and the backslash, is ``\xNN``.

    Returns:
        The message as the kernel printed it; bytes that are no UTF-8 stay escaped.

    Source: kernel kernel/printk/printk.c, ``msg_print_ext_body``.
    """
    return _ESCAPES.sub(_unescape_run, text) if "\\x" in text else text


def _unescape_run(match: re.Match[str]) -> str:
    return bytes.fromhex(match[0].replace("\\x", "")).decode("utf-8", "backslashreplace")


def parse_record(record: str) -> KernelRecord | Unread:
    """Parse one record of ``/dev/kmsg``, with or without its last newline.

    Returns:
        The record, or why it is none.

    Source: kernel Documentation/ABI/testing/dev-kmsg.
    """
    match = _RECORD.match(record)
    if match is None:
        return Unread("a kernel log record", f"not a record: {record[:_SHOWN]!r}", Reason.MALFORMED)
    prefix = int(match[1])
    device = _DEVICE.search(match[5])
    return KernelRecord(
        priority=prefix & _LEVEL_MASK,
        facility=prefix >> 3,
        sequence=int(match[2]),
        up_seconds=int(match[3]) / _MICROSECONDS,
        text=unescape(match[4]),
        device=unescape(device[1]) if device else "",
    )


def parse_journal_record(line: str) -> KernelRecord | Unread:
    """Parse one entry of the journal in its JSON form, a line of ``journalctl -o json``.

    Returns:
        The record, or why it is none. An entry that did not come from the kernel has a facility other than 0, whatever
        it says of itself: the transport is the journal's own word, the rest a program can choose.

    Source: systemd.journal-fields(7), and the section on JSON in systemd's Journal Export Formats.
    """
    what = "a journal entry"
    try:
        entry = json.loads(line)
    except (ValueError, RecursionError):
        return Unread(what, f"not JSON: {line[:_SHOWN]!r}", Reason.MALFORMED)
    if not isinstance(entry, dict):
        return Unread(what, f"no JSON object: {line[:_SHOWN]!r}", Reason.MALFORMED)
    text = _journal_text(entry.get("MESSAGE"))
    if text is None:
        return Unread(what, "it has no message that could be read", Reason.MALFORMED)
    facility = _number(entry, "SYSLOG_FACILITY") or 0
    if _word(entry, "_TRANSPORT") != "kernel":
        facility = facility or _USER_FACILITY
    stamps = (_number(entry, name) for name in ("_SOURCE_MONOTONIC_TIMESTAMP", "__MONOTONIC_TIMESTAMP"))
    monotonic = next((stamp for stamp in stamps if stamp is not None), None)
    received = _number(entry, "__REALTIME_TIMESTAMP")
    priority = _number(entry, "PRIORITY")
    return KernelRecord(
        priority=6 if priority is None else priority & _LEVEL_MASK,
        facility=facility,
        sequence=None,
        up_seconds=None if monotonic is None else monotonic / _MICROSECONDS,
        text=text,
        device=_word(entry, "_KERNEL_DEVICE") or "",
        boot_id=_word(entry, "_BOOT_ID"),
        unix_seconds=None if received is None else received / _MICROSECONDS,
    )


def _journal_text(value: object) -> str | None:
    """A message is text, or a list of bytes where it is no clean UTF-8, or null where it was too long."""
    if isinstance(value, list):
        if value and isinstance(value[0], str | list):
            return _journal_text(value[0])
        try:
            return bytes(value).decode("utf-8", "backslashreplace")
        except (TypeError, ValueError):
            return None
    return value if isinstance(value, str) else None


def _word(entry: Mapping[str, Any], name: str) -> str | None:
    value = entry.get(name)
    if isinstance(value, list) and value:
        value = value[0]
    return value if isinstance(value, str) else None


def _number(entry: Mapping[str, Any], name: str) -> int | None:
    word = _word(entry, name) or ""
    return int(word) if word.isascii() and word.isdecimal() and len(word) <= len(str(1 << 64)) else None
