"""The one cause that is decided, not scored: a limit that changed since a boot with another BIOS."""

from collections.abc import Mapping
from itertools import pairwise

from laneproof.box.link_ends import Link
from laneproof.box.link_rates import describe_rate, rate_of
from laneproof.findings import Cause
from laneproof.past.boots import LinkLimits, is_other_bios
from laneproof.past.past import Past
from laneproof_collectors.snapshot import Snapshot
from laneproof_collectors.unread import Unread

FIRMWARE_SETTING = "firmware-setting"
LIKELY = 0.85
"""How likely it is the firmware's setting where the setting itself could not be read, and the link came up lower in
every boot with the new BIOS and in none before. Our choice."""


def firmware_setting(
    link: Link | None, snapshot: Snapshot, past: Past, *, rising_lanes: bool = False
) -> tuple[Cause, ...]:
    """Decide whether the board's firmware changed a link's limits since the last boot with another BIOS.

    Args:
        link: The link as it is now.
        snapshot: The facts, for the BIOS that runs now.
        past: Limits as they stood in that boot.
        rising_lanes: Whether more lanes than before are the change (a slot that is no longer split), not fewer.
    """
    earlier = past.earlier_limits.get(link.path) if link else None
    if link is None or earlier is None:
        return ()
    reasons = [*_compare_lanes(link, earlier, rising=rising_lanes)]
    probability = 1.0
    if not rising_lanes:
        reasons += _compare_rates(link, earlier, past)
        if not reasons and (reason := _compare_training(link, earlier, past)) is not None:
            reasons, probability = [reason], LIKELY
    if not reasons:
        return ()
    because = (*reasons, _name_bios(snapshot, past, earlier.boot_id))
    return (Cause(cause=FIRMWARE_SETTING, probability=probability, because=because),)


def aspm_setting(link: Link | None, snapshot: Snapshot, past: Past) -> tuple[Cause, ...]:
    """Decide whether the board's firmware switched low-power link states on that were off before."""
    earlier = past.earlier_limits.get(link.path) if link else None
    registers = link.port_registers if link else None
    if earlier is None or registers is None or earlier.aspm_enabled is None:
        return ()
    if not registers.aspm_enabled & ~earlier.aspm_enabled:
        return ()
    because = ("the port's low-power link states were off", _name_bios(snapshot, past, earlier.boot_id))
    return (Cause(cause=FIRMWARE_SETTING, probability=1.0, because=because),)


def bridges_lost(bridges: Mapping[str, str], snapshot: Snapshot, past: Past) -> tuple[Cause, ...]:
    """Decide whether the board's firmware gave up bridges that it had: a slot that it split is split no longer.

    Decided only where a bridge was last there in the very boot before one with another BIOS: one that vanished between
    two boots with the same BIOS was somebody's own setting, or a part that failed.

    Args:
        bridges: By path, what a person calls the position of each bridge that is not there.
        snapshot: The facts, for the BIOS that runs now.
        past: Boots, and where a bridge was last seen.
    """
    updated_after = {boot.boot_id for boot, following in pairwise(past.boots) if is_other_bios(boot, following)}
    seen = {**past.earlier_limits, **past.ledger.boots.limits}
    lost = {path: seen[path].boot_id for path in bridges if path in seen and seen[path].boot_id in updated_after}
    if not lost:
        return ()
    names = ", ".join(bridges[path] for path in lost)
    reason = f"{names} had {'bridges' if len(lost) > 1 else 'a bridge'} of {'their' if len(lost) > 1 else 'its'} own"
    because = (reason, _name_bios(snapshot, past, next(iter(lost.values()))))
    return (Cause(cause=FIRMWARE_SETTING, probability=1.0, because=because),)


def _is_lower_since_update(link: Link, past: Past) -> bool:
    """Whether the link came up as low as now in every boot with this BIOS, and higher in the boots before."""
    trained, record = link.trained_gt_s.value, past.ledger.training.records.get(link.path)
    if record is None or not isinstance(trained, float | int) or not past.boots:
        return False
    same = 0
    for boot in reversed(past.boots):
        if is_other_bios(boot, past.boots[-1]):
            break
        same += 1
    first = past.ledger.timeline.boots - same + 1
    since = [boot.gt_s for boot in record.boots if boot.boot >= first and not boot.missing]
    before = [boot.gt_s for boot in record.boots if boot.boot < first and not boot.missing]
    return bool(since) and bool(before) and max(since) <= trained < min(before)


def _compare_training(link: Link, earlier: LinkLimits, past: Past) -> str | None:
    """Judge by how the link came up, where the registers that hold its target could not be read."""
    trained = link.trained_gt_s.value
    if isinstance(link.target_gt_s, float | int) or earlier.trained_gt_s is None:
        return None
    if not isinstance(trained, float | int) or not _is_lower_since_update(link, past):
        return None
    was, now = describe_rate(earlier.trained_gt_s), describe_rate(trained)
    return f"it came up at {was} before and at {now} in every boot since; its target rate could not be read"


def _compare_rates(link: Link, earlier: LinkLimits, past: Past) -> list[str]:
    reasons = []
    target = link.target_gt_s
    if target == rate_of(1) and not _is_lower_since_update(link, past):
        target = None  # the kernel, too, holds a port at the lowest rate when training failed (pci/quirks.c, since 6.5)
    if isinstance(target, float | int) and earlier.target_gt_s is not None and target < earlier.target_gt_s:
        reasons.append(
            f"the port's target rate is {describe_rate(target)} and was {describe_rate(earlier.target_gt_s)}"
        )
    capable = link.port_gt_s.value
    if isinstance(capable, float | int) and earlier.capable_gt_s is not None and capable < earlier.capable_gt_s:
        reasons.append(f"the port can do {describe_rate(capable)} and could do {describe_rate(earlier.capable_gt_s)}")
    return reasons


def _compare_lanes(link: Link, earlier: LinkLimits, *, rising: bool) -> list[str]:
    lanes = link.port_lanes.value
    if not isinstance(lanes, float | int) or earlier.capable_lanes is None:
        return []
    changed = lanes > earlier.capable_lanes if rising else lanes < earlier.capable_lanes
    return [f"the port has x{lanes:g} and had x{earlier.capable_lanes}"] if changed else []


def _name_bios(snapshot: Snapshot, past: Past, boot_id: str) -> str:
    then = next((boot for boot in past.boots if boot.boot_id == boot_id), None)
    firmware = snapshot.firmware
    now = None if isinstance(firmware, Unread) else firmware.bios_version
    before = f"BIOS {then.bios_version}" if then and then.bios_version else "another BIOS"
    return f"that was in the last boot with {before}; now it is BIOS {now if isinstance(now, str) else 'unknown'}"
