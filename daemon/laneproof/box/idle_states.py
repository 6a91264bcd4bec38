"""Which idle states can really be entered at a position, after each setting that overrides another."""

from dataclasses import dataclass

from laneproof.box.link_ends import LinkOfTwo
from laneproof_collectors.snapshot import AutonomousTransitions, KernelPower, NvmeController, Snapshot
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


def find_idle_states(snapshot: Snapshot, link: LinkOfTwo | None, controller: NvmeController | None) -> IdleStates:
    """Find what is in force for one drive.

    The drive's own feature comes first, then the kernel's latency limit for it, then the kernel's default for all.

    Source: NVM Express Base Specification 2.0, feature 0Ch; Linux Documentation/ABI/testing/sysfs-devices-power,
        ``pm_qos_latency_tolerance_us``; drivers/nvme/host/core.c, ``default_ps_max_latency_us``.
    """
    power = None if isinstance(snapshot.power, Unread) else snapshot.power
    return IdleStates(drive=_drive_states(power, controller), link=_link_states(power, link))


def _drive_states(power: KernelPower | None, controller: NvmeController | None) -> bool | None:
    if controller is not None:
        if isinstance(controller.autonomous_transitions, AutonomousTransitions):
            return controller.autonomous_transitions.enabled
        if controller.autonomous_transitions is None:
            return False  # the drive has no such states to go to by itself
        if isinstance(controller.latency_tolerance_us, int):
            return controller.latency_tolerance_us > 0
    setting = power.nvme_max_latency_us if power else None
    if setting is None or isinstance(setting, Unread):
        return None
    return setting.value != "0"


def _link_states(power: KernelPower | None, link: LinkOfTwo | None) -> bool | None:
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
