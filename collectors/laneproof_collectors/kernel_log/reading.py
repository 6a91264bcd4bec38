"""The kernel log: what happened, to whom and when.

Rules of this module: only what the kernel wrote counts (facility 0; a program may write to the log, and so forge a
line), and the several lines of one report make one event (`multiline_reports`). What it does not do: count. The kernel
limits the rate of its lines, so counts come from counters and the log says when and what.

One message is judged in `classification`, by the tables of the kernel's formats in `formats` and the tables beside it.
"""

import re
from collections.abc import Iterable
from dataclasses import replace
from typing import NamedTuple

from laneproof_collectors.host import Host
from laneproof_collectors.kernel_log.classification import classify
from laneproof_collectors.kernel_log.formats import ADDRESS
from laneproof_collectors.kernel_log.multiline_reports import Reports, TimedKernelEvent
from laneproof_collectors.kernel_log.records import KernelRecord, parse_journal_record, parse_record
from laneproof_collectors.unread import Unread

__all__ = [
    "KernelEvents", "TimedKernelEvent", "classify", "kernel_events", "missed_events", "parse_journal_record",
    "read_kernel_events",
]  # fmt: skip


class KernelEvents(NamedTuple):
    """What was read of the log since the last reading.

    Attributes:
        events: The events, oldest first.
        lost: How many records were lost before or between those read.
        records: How many records were read: where it is none, silence says nothing.
        begins_up_seconds: The first record's stamp, by the log's own clock; None where there is none.
        ends_up_seconds: The last record's stamp, likewise.
        released: Functions that left the kernel and are not back, each with the stamp of its leaving.
    """

    events: tuple[TimedKernelEvent, ...]
    lost: int
    records: int = 0
    begins_up_seconds: float | None = None
    ends_up_seconds: float | None = None
    released: tuple[tuple[str, float], ...] = ()


def kernel_events(records: Iterable[str | KernelRecord]) -> tuple[TimedKernelEvent, ...]:
    """Find the events in a run of records, raw or parsed and in the log's order, one event a report.

    Returns:
        The events, oldest first. Records that a program wrote, and what is no record, are passed over.
    """
    reports = Reports()
    for raw in records:
        record = parse_record(raw) if isinstance(raw, str) else raw
        if isinstance(record, Unread) or record.facility != 0:
            continue
        if "[Hardware Error]" in record.text:
            reports.add_firmware(record)
        if event := classify(record.text):
            if event.device is None and record.device.startswith("+pci:"):
                event = replace(event, device=record.device.removeprefix("+pci:"))
            reports.add(record, event)
    return tuple(reports.events)


def read_kernel_events(host: Host) -> KernelEvents | Unread:
    """Take the kernel events since the last reading.

    Returns:
        The events and how many records were lost, or why the log could not be read.
    """
    answer = host.kernel_log()
    if isinstance(answer, Unread):
        return answer
    ends = [parse_record(answer.records[end]) for end in (0, -1)] if answer.records else [None, None]
    begins, until = (record.up_seconds if isinstance(record, KernelRecord) else None for record in ends)
    released = tuple(_find_released(answer.records).items())
    return KernelEvents(kernel_events(answer.records), answer.lost, len(answer.records), begins, until, released)


_IOMMU_GROUP = re.compile(rf"(?:\S+ )?(?P<address>{ADDRESS}): (?:Adding to|(?P<leaves>Removing from)) iommu group ")


def _find_released(records: Iterable[str]) -> dict[str, float]:
    """Find which functions left the kernel and are not back; only a machine with an IOMMU says so.

    Source: Linux drivers/iommu/iommu.c, iommu_group_add_device and iommu_group_remove_device; the lines as 6.1.0-57 of
    Debian 12 said them in an emulated machine. Kernels since about 6.4 (from memory) do not say that one leaves.
    """
    released: dict[str, float] = {}
    for raw in records:
        record = parse_record(raw) if " iommu group " in raw else None
        if not isinstance(record, KernelRecord) or record.facility != 0 or record.up_seconds is None:
            continue
        if match := _IOMMU_GROUP.match(record.text):
            released.pop(match["address"], None)
            if match["leaves"]:
                released[match["address"]] = record.up_seconds
    return released


def missed_events(
    journal: Iterable[TimedKernelEvent], seen: Iterable[TimedKernelEvent], *, boot_id: str | None = None
) -> tuple[TimedKernelEvent, ...]:
    """Find which events of the journal the ring did not give.

    Args:
        journal: Events read back from the journal, of any boot.
        seen: Events taken from the ring.
        boot_id: The boot of those of `seen` that name none: the ring is always this boot's.

    Returns:
        The events of `journal` that are not among `seen`, in their order.
    """
    known = {_identity(timed, boot_id) for timed in seen}
    return tuple(timed for timed in journal if _identity(timed, boot_id) not in known)


def _identity(timed: TimedKernelEvent, boot_id: str | None) -> tuple[str | None, int | None, str]:
    boot = (timed.boot_id or boot_id or "").replace("-", "")
    return boot, None if timed.up_seconds is None else round(timed.up_seconds * 1_000_000), timed.event.message
