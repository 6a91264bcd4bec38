"""One pass of the watch, a second of a run: drives, links, fans, and what happened meanwhile."""

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from types import MappingProxyType

from laneproof.box.placement import Arrangement
from laneproof.proof.targets import Target, Targets, known_number, whole_number
from laneproof_collectors.hotplug import DeviceEvent
from laneproof_collectors.kernel_log.formats import EventKind
from laneproof_collectors.kernel_log.reading import TimedKernelEvent
from laneproof_collectors.snapshot import BlockStatistics, HealthLog, PciFunction, Snapshot
from laneproof_collectors.unread import Reason, Unread


@dataclass(frozen=True, slots=True, kw_only=True)
class WatchedDrive:
    """One drive: the running counts since boot or since it was made; None where they could not be read."""

    is_there: bool = True
    read_bytes: int | None = None
    reads: int | None = None
    read_milliseconds: int | None = None
    celsius: float | None = None
    heat_minutes: int | None = None
    throttled: int | None = None
    media_errors: int | None = None
    transfer_errors: int | None = None
    warning: str = ""  # what it reports of itself, in words


@dataclass(frozen=True, slots=True, kw_only=True)
class WatchedLink:
    """One link: what it is trained to, and the running counts of both its ends; None for an end that counts nothing."""

    gt_s: float | None = None
    lanes: int | None = None
    port: Mapping[str, int] | None = None
    device: Mapping[str, int] | None = None
    serious: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Occurrence:
    """Something that the kernel reported of a drive or what it hangs on."""

    name: str
    kind: str
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class WatchedPass:
    """What was read in one second of a run.

    Attributes:
        at: Seconds since the run began.
        drives: By name; a drive that is not in it was left alone.
        links: By path; likewise.
        occurrences: What happened since the pass before.
        lost_records: Records of the kernel's log that were overwritten before they were read.
        unread_log: Why the kernel's log could not be read, if so.
        failed: Why next to nothing could be read, if so.
    """

    at: float
    drives: Mapping[str, WatchedDrive] = field(default_factory=dict)
    links: Mapping[str, WatchedLink] = field(default_factory=dict)
    stopped_fans: frozenset[str] = frozenset()
    occurrences: tuple[Occurrence, ...] = ()
    lost_records: int = 0
    unread_log: str | None = None
    failed: str | None = None


def watch_arrangement(
    arrangement: Arrangement,
    targets: Targets,
    at: float,
    disks: Mapping[str, BlockStatistics | Unread] = MappingProxyType({}),
) -> WatchedPass:
    """Take from a snapshot what the run watches; `disks` are the kernel's counts of disks that are no NVMe drives."""
    snapshot = arrangement.snapshot
    if isinstance(snapshot.functions, Unread):
        return WatchedPass(at=at, failed=str(snapshot.functions))
    return WatchedPass(
        at=at,
        drives={
            target.name: _read_nvme(arrangement, target)
            if target.record.interface == "nvme"
            else _read_disk(arrangement, target, disks.get(target.disk))
            for target in targets.drives
        },
        links={path: _read_link(arrangement, path) for path in targets.links},
        stopped_fans=find_stopped_fans(snapshot),
    )


def find_stopped_fans(snapshot: Snapshot) -> frozenset[str]:
    """Name the fans that stand still; connectors with no fan on them too."""
    fans = () if isinstance(snapshot.thermal, Unread) else snapshot.thermal.fans
    return frozenset(f"{fan.chip} {fan.label}" for fan in fans if fan.rpm == 0)


def _read_disk(arrangement: Arrangement, target: Target, counts: BlockStatistics | Unread | None) -> WatchedDrive:
    """Read a SATA, SAS or USB drive: its counts each second, what smartctl says as it was last asked."""
    if isinstance(counts, Unread) and counts.reason is Reason.ABSENT:
        return WatchedDrive(is_there=False)
    occupant = arrangement.topology.occupant_at(target.path)
    drive = occupant.drive if occupant is not None else None
    if drive is None or drive.name != target.disk:
        return _count_reads(counts)
    counted = map(whole_number, (drive.reallocated_sectors, drive.pending_sectors, drive.uncorrectable_sectors))
    sectors = [count for count in counted if count is not None]
    return replace(
        _count_reads(counts),
        celsius=known_number(drive.temperature_celsius),
        media_errors=sum(sectors) if sectors else None,
        transfer_errors=whole_number(drive.interface_errors),
        warning="that it is failing" if drive.healthy is False else "",
    )


def _read_nvme(arrangement: Arrangement, target: Target) -> WatchedDrive:
    occupant = arrangement.topology.occupant_at(target.path)
    controller = occupant.controller if occupant else None
    if occupant is None or not occupant.answers or controller is None or target.disk not in occupant.disks:
        return WatchedDrive(is_there=False)
    counts = next((space.statistics for space in controller.namespaces if space.name == target.disk), None)
    health = controller.health
    if not isinstance(health, HealthLog):
        return _count_reads(counts)
    return replace(
        _count_reads(counts),
        celsius=health.composite_temperature_celsius,
        heat_minutes=health.warning_temperature_minutes + health.critical_temperature_minutes,
        throttled=health.thermal_transitions_1 + health.thermal_transitions_2,
        media_errors=health.media_errors,
        warning=f"a critical warning ({health.critical_warning:#04x})" if health.critical_warning else "",
    )


def _count_reads(counts: BlockStatistics | Unread | None) -> WatchedDrive:
    if not isinstance(counts, BlockStatistics):
        return WatchedDrive()
    return WatchedDrive(read_bytes=counts.read_bytes, reads=counts.reads, read_milliseconds=counts.read_milliseconds)


def _read_link(arrangement: Arrangement, path: str) -> WatchedLink:
    link = arrangement.topology.link_at(path)
    if link is None:
        return WatchedLink()
    (port, by_port), (device, by_device) = _count_errors(link.port), _count_errors(link.device)
    return WatchedLink(
        gt_s=known_number(link.trained_gt_s.value),
        lanes=whole_number(link.trained_lanes.value),
        port=port,
        device=device,
        serious=by_port + by_device,
    )


def _count_errors(function: PciFunction | None) -> tuple[Mapping[str, int] | None, int]:
    aer = function.aer if function is not None else None
    if aer is None:
        return None, 0
    serious = [counts for counts in (aer.nonfatal, aer.fatal) if not isinstance(counts, Unread)]
    counted = None if isinstance(aer.correctable, Unread) else aer.correctable
    return counted, sum(sum(counts.values()) for counts in serious)


# --- what the kernel reported -----------------------------------------------------------------------------------------

_KINDS: Mapping[EventKind, str] = {
    EventKind.CONTROLLER_DOWN: "reset",
    EventKind.IO_TIMEOUT: "time-out",
    EventKind.DEVICE_REMOVED: "gone",
    EventKind.MEDIA_ERROR: "media-error",
    EventKind.IO_ERROR: "read-error",
    EventKind.LINK_DOWN: "retrained",
    EventKind.BANDWIDTH_LIMITED: "retrained",
    EventKind.AER_UNCORRECTABLE: "serious",
    EventKind.DPC: "serious",
}
"""Correctable errors are counted, not read from the log, which limits the rate of its lines."""


def list_occurrences(
    events: Iterable[TimedKernelEvent], devices: Iterable[DeviceEvent], targets: Targets
) -> Iterator[Occurrence]:
    """Say of which drive each event since the last pass is; those of others are passed over."""
    names = {alias: target.name for target in targets.drives for alias in target.aliases}
    for timed in events:
        kind, name = _KINDS.get(timed.event.kind), names.get(timed.event.device or "")
        if kind is not None and name is not None:
            yield Occurrence(name=name, kind=kind, text=timed.event.message)
    for device in devices:
        is_drive = device.subsystem == "nvme" or (device.subsystem == "block" and device.name.startswith("sd"))
        if device.left and is_drive and (name := names.get(device.name)) is not None:
            yield Occurrence(name=name, kind="gone", text=f"{device.name} was removed")
