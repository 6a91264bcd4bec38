"""The one cause that is decided, not scored: a limit that changed since a boot with another BIOS."""

from laneproof.findings import Cause
from laneproof.link_ends import LinkOfTwo
from laneproof.links import describe_rate
from laneproof.past import LinkLimits, Past
from laneproof_collectors.snapshot import Snapshot
from laneproof_collectors.unread import Unread

FIRMWARE_SETTING = "firmware-setting"


def firmware_setting(
    link: LinkOfTwo | None, snapshot: Snapshot, past: Past, *, rising_lanes: bool = False
) -> tuple[Cause, ...]:
    """Decide whether the board's firmware changed a link's limits.

    Args:
        link: The link as it is now.
        snapshot: The facts, for the BIOS that runs now.
        past: Limits as they stood in the last boot with another BIOS.
        rising_lanes: Whether more lanes than before are the change (a slot that is no longer split), not fewer.

    Returns:
        The cause with its reasons, or nothing where no limit changed or none was noted.
    """
    earlier = past.earlier_limits.get(link.path) if link else None
    if link is None or earlier is None:
        return ()
    reasons = [*_compare_lanes(link, earlier, rising=rising_lanes)]
    if not rising_lanes:
        reasons += _compare_rates(link, earlier)
    if not reasons:
        return ()
    because = (*reasons, _name_bios(snapshot, past, earlier.boot_id))
    return (Cause(cause=FIRMWARE_SETTING, probability=1.0, because=because),)


def aspm_setting(link: LinkOfTwo | None, snapshot: Snapshot, past: Past) -> tuple[Cause, ...]:
    """Decide whether the board's firmware switched low-power link states on that were off before.

    Args:
        link: The link as it is now.
        snapshot: The facts, for the BIOS that runs now.
        past: Settings as they stood in the last boot with another BIOS.
    """
    earlier = past.earlier_limits.get(link.path) if link else None
    registers = link.port_registers if link else None
    if earlier is None or registers is None or earlier.aspm_enabled is None:
        return ()
    if not registers.aspm_enabled & ~earlier.aspm_enabled:
        return ()
    because = ("the port's low-power link states were off", _name_bios(snapshot, past, earlier.boot_id))
    return (Cause(cause=FIRMWARE_SETTING, probability=1.0, because=because),)


def _compare_rates(link: LinkOfTwo, earlier: LinkLimits) -> list[str]:
    reasons = []
    target = link.target_gt_s
    if isinstance(target, float | int) and earlier.target_gt_s is not None and target < earlier.target_gt_s:
        reasons.append(
            f"the port's target rate is {describe_rate(target)} and was {describe_rate(earlier.target_gt_s)}"
        )
    capable = link.port_gt_s.value
    if isinstance(capable, float | int) and earlier.capable_gt_s is not None and capable < earlier.capable_gt_s:
        reasons.append(f"the port can do {describe_rate(capable)} and could do {describe_rate(earlier.capable_gt_s)}")
    return reasons


def _compare_lanes(link: LinkOfTwo, earlier: LinkLimits, *, rising: bool) -> list[str]:
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
