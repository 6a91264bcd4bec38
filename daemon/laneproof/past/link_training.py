"""How each link trained in each boot, and where it fell while the machine ran.

A link that rests may be slower on purpose: such readings neither count as short nor as a fall. What a link reached in a
boot is the most that was seen in it.
"""

from collections.abc import Iterable
from dataclasses import dataclass, field

from laneproof.box.link_ends import Link
from laneproof.box.link_rates import rate_of
from laneproof.evidence.link_training import READINGS_TO_AGREE, LinkReading
from laneproof.past.timeline import Timeline

LOOK_BACK_SECONDS = 180 * 86400.0
"""How long a short boot is held against a link. Our choice."""
_MOST_BOOTS = 80
_MOST_FALLS = 40


@dataclass(slots=True, kw_only=True)
class BootTraining:
    """What a link reached in one boot."""

    boot: int
    at: float  # when the link was first seen in it, ledger time
    gt_s: float = 0.0  # the highest rate seen
    lanes: int = 0  # the greatest width seen
    capable_gt_s: float | None = None  # the lesser rate of both ends, None where it is not known
    capable_lanes: int | None = None  # the lesser width of both ends
    target_gt_s: float | None = None  # what the port aimed at
    missing: bool = False  # nothing was there at all, though there was in the boots around it
    # the link was seen only at rest, so what it reached is not known where it is less than it can
    at_rest: bool = False


@dataclass(slots=True, kw_only=True)
class Fall:
    """A link that fell to less than it had in the same boot."""

    at: float  # when it was first seen, ledger time
    boot: int
    from_gt_s: float
    from_lanes: int
    to_gt_s: float
    to_lanes: int
    back_at: float | None = None  # when it was first seen to be back; None while it is not
    readings: list[LinkReading] = field(default_factory=list)  # the last readings of it while it was down

    def add_reading(self, now: float) -> None:
        """Keep one more reading; a link at rest makes no fall, so what is seen of it counts as seen under load."""
        self.readings.append(LinkReading(at=now, gt_s=self.to_gt_s, lanes=self.to_lanes, under_load=True))
        del self.readings[:-READINGS_TO_AGREE]


@dataclass(slots=True, kw_only=True)
class TrainingRecord:
    """One path's training."""

    path: str  # the position below the link
    serial: str = ""  # the drive that was there last
    awake_at: float = 0.0  # when it was last read while it did not rest; 0 if never
    # by boot, oldest first; all with the same drive and the same parts between
    boots: list[BootTraining] = field(default_factory=list)
    falls: list[Fall] = field(default_factory=list)
    # when it was last found that the drive had been missing for want of power; None if never
    forgiven_at: float | None = None

    @property
    def was_only_missing(self) -> bool:
        """Whether the drive was missing in some boots, and its link reached the same in all others."""
        reached = {(boot.gt_s, boot.lanes) for boot in self.boots if not (boot.missing or boot.at_rest)}
        return len(reached) <= 1 and any(boot.missing for boot in self.boots)


@dataclass(slots=True, kw_only=True)
class TrainingBook:
    """All links' training by path."""

    records: dict[str, TrainingRecord] = field(default_factory=dict)

    def read(self, links: Iterable[tuple[Link, str, str]], timeline: Timeline) -> None:
        """Take one reading: each link that ends in a device, with the drive's serial number and its name."""
        for link, serial, _ in links:
            record = self.records.get(link.path)
            if record is None or (serial and record.serial and record.serial != serial):
                record = self.records[link.path] = TrainingRecord(path=link.path)
            record.serial = serial or record.serial
            _read(record, link, timeline)

    def forget(self, path: str) -> None:
        """Begin again, since what stands between has changed."""
        self.records.pop(path, None)

    def note_missing(self, paths: Iterable[str], timeline: Timeline) -> None:
        """Note the positions that held a drive in the boot before and hold none since this one."""
        for path in paths:
            record = self.records.get(path)
            if record and record.boots and record.boots[-1].boot == timeline.boots - 1:
                record.boots.append(BootTraining(boot=timeline.boots, at=timeline.now, missing=True))

    def withdraw_missing(self, path: str, timeline: Timeline, *, since_boot: int) -> None:
        """Take back that a drive was missing in boots after one, since it had no power in them: somebody had it out.

        Only once in the time that is looked back on: a drive that gets no power again and again has a loose contact.
        """
        record = self.records.get(path)
        if record is None:
            return
        if record.forgiven_at is not None and timeline.now - record.forgiven_at <= LOOK_BACK_SECONDS:
            return
        kept = [boot for boot in record.boots if not boot.missing or boot.boot <= since_boot]
        if len(kept) < len(record.boots):
            record.boots, record.forgiven_at = kept, timeline.now


def _read(record: TrainingRecord, link: Link, timeline: Timeline) -> None:
    gt_s, lanes = link.trained_gt_s.value, link.trained_lanes.value
    if not isinstance(gt_s, float | int) or not isinstance(lanes, float | int):
        return
    boot = record.boots[-1] if record.boots and record.boots[-1].boot == timeline.boots else None
    if boot is None or boot.missing:
        if boot is not None:
            record.boots.pop()  # it was only late
        boot = BootTraining(boot=timeline.boots, at=timeline.now, at_rest=True)
        record.boots.append(boot)
        del record.boots[:-_MOST_BOOTS]
    boot.capable_gt_s = _number(link.capable_gt_s)
    capable_lanes = _number(link.capable_lanes)
    boot.capable_lanes = None if capable_lanes is None else int(capable_lanes)
    target = _number(link.target_gt_s)
    is_capped = target is not None and boot.target_gt_s is not None and target < boot.target_gt_s
    if is_capped and target != rate_of(1):  # somebody set a limit while the machine ran
        boot.gt_s = min(boot.gt_s, target or 0.0)
    boot.target_gt_s = target
    is_awake = not is_at_rest(link)
    if is_awake:
        record.awake_at, boot.at_rest = timeline.now, False
    if gt_s >= boot.gt_s and lanes >= boot.lanes:
        _rise(record, boot, float(gt_s), int(lanes), timeline.now)
    elif is_awake:
        _fall(record, boot, float(gt_s), int(lanes), timeline.now)
    boot.gt_s, boot.lanes = max(boot.gt_s, float(gt_s)), max(boot.lanes, int(lanes))


def _rise(record: TrainingRecord, boot: BootTraining, gt_s: float, lanes: int, now: float) -> None:
    last = record.falls[-1] if record.falls else None
    is_down = last is not None and last.back_at is None and last.boot == boot.boot
    if last is not None and is_down and gt_s >= last.from_gt_s and lanes >= last.from_lanes:
        last.back_at = now


def _fall(record: TrainingRecord, boot: BootTraining, gt_s: float, lanes: int, now: float) -> None:
    last = record.falls[-1] if record.falls else None
    if last is not None and last.back_at is None and last.boot == boot.boot:
        last.to_gt_s, last.to_lanes = gt_s, lanes
        last.add_reading(now)
        return
    fall = Fall(at=now, boot=boot.boot, from_gt_s=boot.gt_s, from_lanes=boot.lanes, to_gt_s=gt_s, to_lanes=lanes)
    fall.add_reading(now)
    record.falls.append(fall)
    del record.falls[:-_MOST_FALLS]


def is_at_rest(link: Link) -> bool:
    """Whether a link may be slower on purpose: an end sleeps, or the hardware lowered it by itself to save power.

    Source: PCI Express Base Specification, Link Status bits 14 and 15; Linux
        Documentation/ABI/testing/sysfs-devices-power.
    """
    if link.sleeps:
        return True
    registers, device = link.port_registers, link.device
    if registers is None or device is None or device.power.control != "auto":
        return False
    return registers.autonomous_bandwidth_status and not registers.bandwidth_management_status


def _number(value: float | object) -> float | None:
    return float(value) if isinstance(value, int | float) and not isinstance(value, bool) else None
