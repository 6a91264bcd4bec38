"""The lines of one report are one event.

Rules of this module: lines are joined by device and kind, within the time in which the kernel prints a report. The
result of a recovery is printed under the port's name, and belongs to the error that the recovery was for. A status that
fits two registers is read as the lines around it suggest.
"""

import re
from collections.abc import Mapping
from dataclasses import dataclass, replace

from laneproof_collectors.kernel_log.aer import decode_bits
from laneproof_collectors.kernel_log.classification import KernelEvent, join_detail
from laneproof_collectors.kernel_log.formats import ADDRESS, EventKind
from laneproof_collectors.kernel_log.records import KernelRecord


@dataclass(frozen=True, slots=True, kw_only=True)
class TimedKernelEvent:
    """A kernel event with its time and position in the log.

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


REPORT_SECONDS = 1.0
"""The lines of one report are printed in one go; even a slow serial console takes less than this for ten of them."""

RECOVERY_SECONDS = 65.0
"""A recovery waits 60 s for a device at most (drivers/pci/pci.h, PCIE_RESET_READY_POLL_MS), then tells the drivers."""

_FIRMWARE_LINE = re.compile(
    r"\{(?P<record>\d+)\}\[Hardware Error\]:\s+(?:"
    r"(?:event severity|Error \d+, type): (?P<severity>corrected|recoverable|fatal)"
    r"|section[_ ]type: (?P<section>.+)"
    rf"|device_id: (?P<device>{ADDRESS}))"
)
"""drivers/firmware/efi/cper.c: severity, section and device of a hardware error record stand in lines of their own."""

_RECOVERY_RESULTS = frozenset({"recovery", "reset", "hindered"})  # details of the lines of drivers/pci/pcie/err.c
_RECOVERED_FROM = frozenset({EventKind.AER_UNCORRECTABLE, EventKind.DPC})  # what a recovery is for
_OTHER_REGISTER = {
    EventKind.AER_CORRECTABLE: EventKind.AER_UNCORRECTABLE,
    EventKind.AER_UNCORRECTABLE: EventKind.AER_CORRECTABLE,
}


class Reports:
    """Joins the lines of a report: the first makes the event, those that go on add their detail.

    Attributes:
        events: One event a report, in the order of their first lines.
    """

    def __init__(self) -> None:
        """Begin with no report."""
        self.events: list[TimedKernelEvent] = []
        self._open: dict[tuple[EventKind, str | None], tuple[int, float | None]] = {}
        self._firmware: dict[str, str] = {}

    def add(self, record: KernelRecord, event: KernelEvent) -> None:
        """Take one line's event, in the log's order."""
        at = record.up_seconds
        event = self._settle_register(event, at)
        key = (event.kind, event.device)
        position, seen = self._open.get(key, (None, None))
        if position is None or not _is_soon_after(seen, at) or not _adds_to(self.events[position].event, event):
            position = self._find_report_of_other_device(event, at)
        if position is None:
            position = len(self.events)
            self.events.append(_timed(record, event))
        else:
            self._join(position, event.detail)
            if _RECOVERY_RESULTS & event.detail.keys():
                return  # printed under the port's name, but the report is another device's
        self._open[key] = (position, at)

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

    def _settle_register(self, event: KernelEvent, at: float | None) -> KernelEvent:
        """Read a status that fits either AER register as the report said before, and one said before as this says."""
        other = _OTHER_REGISTER.get(event.kind)
        if other is None or not event.continues:
            return event
        own, its = self._latest(event.kind, event.device, at), self._latest(other, event.device, at)
        if its is None or (own is not None and own > its):
            return event
        report = self.events[its]
        if event.detail.get("severity") == "inferred":
            return _read_as(other, event)
        if own is None and report.event.detail.get("severity") == "inferred":
            self.events[its] = replace(report, event=_read_as(event.kind, report.event))
            self._open[event.kind, event.device] = self._open.pop((other, event.device))
        return event

    def _latest(self, kind: EventKind, device: str | None, at: float | None) -> int | None:
        position, seen = self._open.get((kind, device), (None, None))
        return position if _is_soon_after(seen, at) else None

    def _find_report_of_other_device(self, event: KernelEvent, at: float | None) -> int | None:
        """Find the report that a line belongs to although it names another device."""
        if _RECOVERY_RESULTS & event.detail.keys():
            return self._unfinished(_RECOVERED_FROM, "recovery", at, RECOVERY_SECONDS)
        if event.kind is EventKind.DPC and "status" in event.detail:
            position = self._unfinished({EventKind.DPC}, "status", at, REPORT_SECONDS)
            if position is not None and "edr" in self.events[position].event.detail:
                report = self.events[position]
                self.events[position] = replace(report, event=replace(report.event, device=event.device))
                return position
        return None

    def _unfinished(
        self, kinds: frozenset[EventKind] | set[EventKind], missing: str, at: float | None, seconds: float
    ) -> int | None:
        """Find the last report of some kinds that does not say a thing yet."""
        for position in range(len(self.events) - 1, -1, -1):
            report = self.events[position]
            if not _is_soon_after(report.up_seconds, at, seconds):
                return None
            if report.event.kind in kinds and missing not in report.event.detail:
                return position
        return None

    def _join(self, position: int, detail: Mapping[str, str]) -> None:
        report = self.events[position]
        event = replace(report.event, detail=join_detail(report.event.detail, detail))
        self.events[position] = replace(report, event=event, lines=report.lines + 1)


def _is_soon_after(earlier: float | None, later: float | None, seconds: float = REPORT_SECONDS) -> bool:
    return earlier is None or later is None or 0 <= later - earlier <= seconds


def _adds_to(report: KernelEvent, event: KernelEvent) -> bool:
    """Whether a line adds to a report: by its form, or as the device's own account of what the port announced."""
    return event.continues or ("layer" in event.detail and "layer" not in report.detail)


def _read_as(kind: EventKind, event: KernelEvent) -> KernelEvent:
    """Read a status as the other register's."""
    bits = decode_bits(kind, int(event.detail["status"], 16) & ~int(event.detail["mask"], 16))
    return replace(event, kind=kind, detail=event.detail if not bits else {**event.detail, "bits": bits})


def _timed(record: KernelRecord, event: KernelEvent) -> TimedKernelEvent:
    return TimedKernelEvent(
        event=event,
        up_seconds=record.up_seconds,
        sequence=record.sequence,
        priority=record.priority,
        boot_id=record.boot_id,
        unix_seconds=record.unix_seconds,
    )
