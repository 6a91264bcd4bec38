"""Which idle states can really be entered at a position, after each setting that overrides another."""

from dataclasses import dataclass

from laneproof.box.link_ends import Link
from laneproof_collectors.snapshot import KernelPower, NvmeController, Snapshot
from laneproof_collectors.unread import Unread


@dataclass(frozen=True, slots=True, kw_only=True)
class IdleStates:
    """Idle states of one drive and its link. None: not known.

    Attributes:
        drive: Whether the drive changes to idle power states by itself.
        link: Whether its link has a low-power state enabled.
    """

    drive: bool | None
    link: bool | None

    @property
    def on(self) -> bool | None:
        """Whether any is on; only where both are known to be off are they off."""
        if self.drive or self.link:
            return True
        return None if self.drive is None or self.link is None else False


def find_idle_states(snapshot: Snapshot, link: Link | None, controller: NvmeController | None) -> IdleStates:
    """Find what is in force for one drive.

    The drive's own feature comes first, then the kernel's latency limit for it, then the kernel's default for all.

    Source: NVM Express Base Specification 2.0, feature 0Ch; Linux Documentation/ABI/testing/sysfs-devices-power,
        ``pm_qos_latency_tolerance_us``; drivers/nvme/host/core.c, ``default_ps_max_latency_us``.
    """
    power = None if isinstance(snapshot.power, Unread) else snapshot.power
    return IdleStates(drive=_drive_states(power, controller), link=_link_states(power, link))


def enters_idle_states(controller: NvmeController) -> bool | Unread:
    """Whether a drive goes to non-operational power states by itself.

    The drive's own feature (0Ch) decides. Where it could not be read, the kernel's latency limit for this drive does: 0
    means that the kernel switched the feature off, no such file that the drive has none.

    Source: Documentation/ABI/testing/sysfs-devices-power, ``pm_qos_latency_tolerance_us``; drivers/nvme/host/core.c,
        ``nvme_configure_apst``.
    """
    feature = controller.autonomous_transitions
    if feature is None:
        return False
    if isinstance(feature, Unread):
        tolerance = controller.latency_tolerance_us
        if isinstance(tolerance, Unread):
            return feature
        return tolerance not in (None, 0)
    if not feature.enabled or not feature.transitions:
        return False
    if isinstance(controller.identity, Unread):
        return True  # it changes state by itself; that some of the states are operational cannot be shown
    idle = {state.number for state in controller.identity.power_states if state.non_operational}
    targets = {target for target, _ in feature.transitions.values()}
    return bool(targets & idle) or not idle


def _drive_states(power: KernelPower | None, controller: NvmeController | None) -> bool | None:
    if controller is not None:
        idles = enters_idle_states(controller)
        # of a drive that was being reset, and a kernel without files of power, nothing was read: that is no change
        is_guess = isinstance(controller.autonomous_transitions, Unread) and controller.latency_tolerance_us is None
        if isinstance(idles, bool) and not is_guess:
            return idles
    setting = power.nvme_max_latency_us if power else None
    if setting is None or isinstance(setting, Unread):
        return None
    return setting.value != "0"


def _link_states(power: KernelPower | None, link: Link | None) -> bool | None:
    if link is not None:
        registers = [register for register in (link.port_registers, link.device_registers) if register is not None]
        if registers:
            return any(register.aspm_enabled for register in registers)
        device = link.device
        flags = [] if device is None else [on for on in device.power.link_states.values() if isinstance(on, bool)]
        if flags:
            return any(flags)
    policy = power.aspm_policy if power else None
    if policy is None or isinstance(policy, Unread):
        return None
    return {"performance": False, "powersave": True, "powersupersave": True}.get(policy.value)
