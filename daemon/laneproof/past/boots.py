"""Boots that were seen, and what each port aimed at and could do in the last boot with another BIOS."""

from collections.abc import Iterator
from dataclasses import dataclass, field, replace

from laneproof.box.topology import Topology
from laneproof.changes.change import is_same
from laneproof.past.timeline import Timeline
from laneproof_collectors.snapshot import Snapshot
from laneproof_collectors.unread import Unread

_MOST_BOOTS = 120


@dataclass(frozen=True, slots=True, kw_only=True)
class Boot:
    """One boot that was seen, with what could change a link's limits between boots."""

    boot_id: str
    first_seen_at: float  # unix seconds
    bios_version: str | None = None
    bios_date: str | None = None
    kernel_release: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class LinkLimits:
    """The limits of a position's link as they stood in an earlier boot."""

    boot_id: str
    target_gt_s: float | None
    capable_gt_s: float | None
    capable_lanes: int | None
    aspm_enabled: int | None = None  # the port's bit field, 1 L0s, 2 L1; None where it was not known
    trained_gt_s: float | None = None


@dataclass(slots=True, kw_only=True)
class BootBook:
    """Boots, oldest first, and the links' limits by path."""

    boots: list[Boot] = field(default_factory=list)  # the boots, the running one last
    limits: dict[str, LinkLimits] = field(default_factory=dict)
    earlier_limits: dict[str, LinkLimits] = field(default_factory=dict)  # limits in the last boot with another BIOS
    # limits in the boot before, while it is not known which BIOS runs now
    limits_before: dict[str, LinkLimits] = field(default_factory=dict)

    def read(self, snapshot: Snapshot, topology: Topology, timeline: Timeline, *, is_read_again: bool) -> None:
        """Note the boot, and the links' limits where the functions were read again."""
        self._note_boot(describe_boot(snapshot, timeline.now))
        if is_read_again and topology.unread is None and topology.functions:
            self.limits |= dict(_find_limits(snapshot, topology, self.limits))

    def _note_boot(self, boot: Boot) -> None:
        last = self.boots[-1] if self.boots else None
        if not boot.boot_id:
            return
        if last is not None and last.boot_id == boot.boot_id:
            self._complete(last, boot)
            return
        if last is not None and is_other_bios(last, boot):
            self.earlier_limits = dict(self.limits)
        self.limits_before = dict(self.limits) if boot.bios_version is None else {}
        self.boots.append(boot)
        del self.boots[:-_MOST_BOOTS]

    def _complete(self, last: Boot, boot: Boot) -> None:
        # the board's tables may answer later than the boot's id; only then is an update noticed
        if last.bios_version is None and boot.bios_version is not None:
            earlier = self.boots[-2] if len(self.boots) > 1 else None
            if earlier is not None and is_other_bios(earlier, boot):
                self.earlier_limits = self.limits_before
            self.limits_before = {}
            self.boots[-1] = replace(boot, first_seen_at=last.first_seen_at)


def is_other_bios(earlier: Boot, later: Boot) -> bool:
    """Whether two boots ran different board firmware, as far as that is known of both."""
    return not is_same((earlier.bios_version, later.bios_version), (earlier.bios_date, later.bios_date))


def describe_boot(snapshot: Snapshot, now: float) -> Boot:
    """Describe the running boot; its id is empty where it could not be read."""
    firmware = snapshot.firmware
    if isinstance(firmware, Unread):
        return Boot(boot_id="", first_seen_at=now)
    return Boot(
        boot_id=snapshot.boot_id,
        first_seen_at=now,
        bios_version=_text(firmware.bios_version),
        bios_date=_text(firmware.bios_date),
        kernel_release=_text(firmware.kernel_release),
    )


def _text(value: str | Unread | None) -> str | None:
    return value if isinstance(value, str) else None


def _find_limits(
    snapshot: Snapshot, topology: Topology, known: dict[str, LinkLimits]
) -> Iterator[tuple[str, LinkLimits]]:
    for path, function in topology.functions.items():
        if not function.is_bridge or (link := topology.link_at(path)) is None:
            continue
        lanes, registers = link.port_lanes.value, link.port_registers
        trained = _number(link.trained_gt_s.value) if link.device is not None else None
        old = known.get(path)
        if trained is None and old is not None and old.boot_id == snapshot.boot_id:
            trained = old.trained_gt_s  # the drive is away for the moment
        limits = LinkLimits(
            boot_id=snapshot.boot_id,
            target_gt_s=_number(link.target_gt_s),
            capable_gt_s=_number(link.port_gt_s.value),
            capable_lanes=int(lanes) if isinstance(lanes, int | float) else None,
            aspm_enabled=registers.aspm_enabled if registers else None,
            trained_gt_s=trained,
        )
        if limits != old:
            yield path, limits


def _number(value: float | Unread | None) -> float | None:
    return value if isinstance(value, int | float) else None
