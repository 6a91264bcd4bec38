"""The kernel log: what happened, to whom and when.

Rules of this module: only what the kernel wrote counts (facility 0; a program may write to the log, and so forge a
line), and the several lines of one report make one event. What it does not do: count. The kernel limits the rate of its
lines, so counts come from counters and the log says when and what.

One message is judged in `kernel_lines`, by the tables of the kernel's formats in `kernel_messages` and its siblings.
"""

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from typing import NamedTuple

from laneproof_collectors.host import Host
from laneproof_collectors.kernel_lines import KernelEvent, classify, join_detail
from laneproof_collectors.kernel_messages import ADDRESS, EventKind
from laneproof_collectors.kernel_records import KernelRecord, parse_journal_record, parse_record
from laneproof_collectors.unread import Unread

__all__ = [
    "EventKind",
    "KernelEvent",
    "KernelEvents",
    "KernelRecord",
    "TimedKernelEvent",
    "classify",
    "kernel_events",
    "missed_events",
    "parse_journal_record",
    "parse_record",
    "read_kernel_events",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class TimedKernelEvent:
    """A kernel event with its time and place in the log.

    Attributes:
        event: What happened; detail of later lines of the same report is joined in.
        up_seconds: Seconds since boot by the monotonic clock, of the first line.
        sequence: The first line's number in the ring.
        priority: The first line's severity.
        boot_id: The boot, where known.
        unix_seconds: Wall clock, where the journal gave it.
        lines: How many lines the report had.
    """

    event: KernelEvent
    up_seconds: float | None
    sequence: int | None
    priority: int
    boot_id: str | None = None
    unix_seconds: float | None = None
    lines: int = 1


class KernelEvents(NamedTuple):
    """The events since the last reading, oldest first.

    With them, how many records were lost before or between, and how many were read: with none, silence says nothing.
    """

    events: tuple[TimedKernelEvent, ...]
    lost: int
    records: int = 0


REPORT_SECONDS = 1.0
"""The lines of one report are printed in one go; even a slow serial console takes less than this for ten of them."""

_FIRMWARE_LINE = re.compile(
    r"\{(?P<record>\d+)\}\[Hardware Error\]:\s+(?:"
    r"(?:event severity|Error \d+, type): (?P<severity>corrected|recoverable|fatal)"
    r"|section[_ ]type: (?P<section>.+)"
    rf"|device_id: (?P<device>{ADDRESS}))"
)
"""drivers/firmware/efi/cper.c: severity, section and device of a hardware error record stand in lines of their own."""


class _Reports:
    """Joins the lines of a report: the first makes the event, those that go on add their detail."""

    def __init__(self) -> None:
        self.events: list[TimedKernelEvent] = []
        self._open: dict[tuple[EventKind, str | None], tuple[int, float | None]] = {}
        self._firmware: dict[str, str] = {}

    def add(self, record: KernelRecord, event: KernelEvent) -> None:
        """Take one event, in the log's order."""
        key = (event.kind, event.device)
        position, seen = self._open.get(key, (None, None))
        if position is not None and _near(seen, record.up_seconds) and _goes_on(self.events[position].event, event):
            self._join(position, event.detail)
        else:
            position = len(self.events)
            self.events.append(_timed(record, event))
        self._open[key] = (position, record.up_seconds)

    def add_firmware(self, record: KernelRecord) -> None:
        """Take one line of a firmware record; its device line closes the description and makes the event."""
        match = _FIRMWARE_LINE.match(record.text)
        if match is None:
            return
        if self._firmware.get("record") != match["record"]:
            self._firmware = {"record": match["record"]}
        self._firmware.update({name: value for name, value in match.groupdict().items() if value is not None})
        known = self._firmware
        if match["device"] and known.get("section", "").startswith("PCIe") and "severity" in known:
            corrected = known["severity"] == "corrected"
            kind = EventKind.AER_CORRECTABLE if corrected else EventKind.AER_UNCORRECTABLE
            severity = "nonfatal" if known["severity"] == "recoverable" else known["severity"]
            detail = {"severity": "correctable" if corrected else severity, "seen_by": "firmware"}
            self.add(record, KernelEvent(kind=kind, device=match["device"], message=record.text, detail=detail))
            self._open[kind, None] = self._open[kind, match["device"]]  # its registers follow without a name

    def _join(self, position: int, detail: Mapping[str, str]) -> None:
        report = self.events[position]
        event = replace(report.event, detail=join_detail(report.event.detail, detail))
        self.events[position] = replace(report, event=event, lines=report.lines + 1)


def _near(earlier: float | None, later: float | None) -> bool:
    return earlier is None or later is None or 0 <= later - earlier <= REPORT_SECONDS


def _goes_on(report: KernelEvent, event: KernelEvent) -> bool:
    """Whether a line adds to a report: by its form, or as the device's own account of what the port announced."""
    return event.continues or ("layer" in event.detail and "layer" not in report.detail)


def _timed(record: KernelRecord, event: KernelEvent) -> TimedKernelEvent:
    return TimedKernelEvent(
        event=event,
        up_seconds=record.up_seconds,
        sequence=record.sequence,
        priority=record.priority,
        boot_id=record.boot_id,
        unix_seconds=record.unix_seconds,
    )


def kernel_events(records: Iterable[str | KernelRecord]) -> tuple[TimedKernelEvent, ...]:
    """Find the events in a run of records, one event a report.

    Args:
        records: Records in the log's order: raw as read from ``/dev/kmsg``, or parsed.

    Returns:
        The events, oldest first. Records that a program wrote, and what is no record, are passed over.
    """
    reports = _Reports()
    for one in records:
        record = parse_record(one) if isinstance(one, str) else one
        if isinstance(record, Unread) or record.facility != 0:
            continue
        if "[Hardware Error]" in record.text:
            reports.add_firmware(record)
        if event := classify(record.text):
            if event.device is None and (address := record.keys.get("DEVICE", "")).startswith("+pci:"):
                event = replace(event, device=address.removeprefix("+pci:"))
            reports.add(record, event)
    return tuple(reports.events)


def read_kernel_events(host: Host) -> KernelEvents | Unread:
    """Take the kernel events since the last reading.

    Args:
        host: The machine.

    Returns:
        The events and how many records were lost, or why the log could not be read.
    """
    answer = host.kernel_log()
    if isinstance(answer, Unread):
        return answer
    return KernelEvents(kernel_events(answer.records), answer.lost, len(answer.records))


def missed_events(
    journal: Iterable[TimedKernelEvent], seen: Iterable[TimedKernelEvent], *, boot_id: str | None = None
) -> tuple[TimedKernelEvent, ...]:
    """Tell which events of the journal the ring did not give.

    Args:
        journal: Events read back from the journal, of any boot.
        seen: Events taken from the ring.
        boot_id: The boot of those of `seen` that name none: the ring is always this boot's.

    Returns:
        The events of `journal` that are not among `seen`, in their order.
    """
    known = {_identity(one, boot_id) for one in seen}
    return tuple(one for one in journal if _identity(one, boot_id) not in known)


def _identity(one: TimedKernelEvent, boot_id: str | None) -> tuple[str | None, int | None, str]:
    boot = (one.boot_id or boot_id or "").replace("-", "")
    return boot, None if one.up_seconds is None else round(one.up_seconds * 1_000_000), one.event.message
