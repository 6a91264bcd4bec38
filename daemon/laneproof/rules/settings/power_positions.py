"""Power settings where they take effect: what each declared position's link and drive are really set to.

The kernel's own settings say what was asked for; this is what is in force wherever that can be overridden.
"""

from collections.abc import Iterator
from dataclasses import dataclass

from laneproof.box.idle_states import enters_idle_states
from laneproof.box.link_ends import Link, registers_of
from laneproof.box.placement import Placement
from laneproof.declaration.tables import DeclaredKernel
from laneproof_collectors.snapshot import NvmeController, PciFunction
from laneproof_collectors.unread import Unread

ASPM_L0S, ASPM_L1 = 1, 2  # pci_regs.h, PCI_EXP_LNKCTL_ASPM_L0S, _L1
_LOW_POWER_FILES = ("l0s_aspm", "l1_aspm", "l1_1_aspm", "l1_2_aspm")  # sysfs-bus-pci, link/; clkpm is no link state


@dataclass(frozen=True, slots=True, kw_only=True)
class Deviation:
    """One setting of one position that is not as declared, or could not be read.

    Attributes:
        what: The setting, as the declaration names it.
        declared: What was declared, as text.
        observed: What is, as text, or why it could not be read.
    """

    what: str
    declared: str
    observed: str | Unread


def find_deviations(plan: DeclaredKernel, placement: Placement) -> Iterator[Deviation]:
    """Compare the declared kernel settings with what is in force in one position."""
    if plan.links_aspm is not None and placement.link is not None:
        yield from _compare_aspm(plan.links_aspm, placement.link)
    controller = placement.occupant.controller if placement.occupant else None
    if plan.nvme_default_ps_max_latency_us is not None and controller is not None:
        yield from _compare_latency(plan.nvme_default_ps_max_latency_us, controller)
    port = placement.port
    if plan.port_power_management == "off" and port is not None and port.power.sleeps:
        observed = f"port {port.address} sleeps (runtime status {port.power.runtime_status})"
        yield Deviation(what="port_power_management", declared="ports stay on", observed=observed)


# --- ASPM -------------------------------------------------------------------------------------------------------------


def read_aspm(end: PciFunction) -> int | Unread | None:
    """Give the low-power link states enabled at one end as bits; None for a function without a link.

    The register is the truth; the files of ``link/`` are the kernel's own account, and enough where the register could
    not be read. Where both could be read, a state that either shows as enabled counts as enabled.
    """
    states = [end.power.link_states.get(name) for name in _LOW_POWER_FILES]
    by_file = ASPM_L0S if states[0] is True else 0
    by_file |= ASPM_L1 if True in states[1:] else 0
    if (registers := registers_of(end)) is not None:
        return registers.aspm_enabled | by_file
    if end.express is None:
        return None
    if by_file or (False in states and not any(isinstance(state, Unread) for state in states)):
        return by_file
    gap = next((state for state in states if isinstance(state, Unread)), None)
    return end.express if isinstance(end.express, Unread) else gap


def _compare_aspm(declared: str, link: Link) -> Iterator[Deviation]:
    ends = [(name, end) for name, end in (("port", link.port), ("device", link.device)) if end is not None]
    read = [(name, end, read_aspm(end)) for name, end in ends]
    # the device's files speak for the whole link, so they stand in for a port whose register could not be read
    states = [(name, end, state) for name, end, state in read if isinstance(state, int)]
    gaps = [state for _, _, state in read if isinstance(state, Unread)]
    if gaps and _has_files(link.device):
        gaps = []
    enabled = [f"{write_aspm(state)} at the {name} {end.address}" for name, end, state in states if state]
    if declared == "off":
        if enabled:
            yield Deviation(what="links_aspm", declared="off", observed=", ".join(enabled))
        elif gaps:
            yield Deviation(what="links_aspm", declared="off", observed=gaps[0])
    elif gaps:
        yield Deviation(what="links_aspm", declared="on", observed=gaps[0])
    elif states and len(enabled) < len(states):
        yield Deviation(what="links_aspm", declared="on", observed=_why_off(link))


def _has_files(device: PciFunction | None) -> bool:
    if device is None:
        return False
    states = [device.power.link_states[name] for name in _LOW_POWER_FILES if name in device.power.link_states]
    return bool(states) and not any(isinstance(state, Unread) for state in states)


def _why_off(link: Link) -> str:
    supported = [
        registers.aspm_supported for registers in (link.port_registers, link.device_registers) if registers is not None
    ]
    shared = ASPM_L0S | ASPM_L1
    for bits in supported:
        shared &= bits
    return "off" if shared else "off (both ends share no such state)"


def write_aspm(bits: int) -> str:
    """Name the enabled states: ``L0s``, ``L1``, ``L0s and L1``, or ``off``."""
    names = [name for bit, name in ((ASPM_L0S, "L0s"), (ASPM_L1, "L1")) if bits & bit]
    return " and ".join(names) or "off"


# --- a drive's own idle states ----------------------------------------------------------------------------------------


def _compare_latency(declared: int, controller: NvmeController) -> Iterator[Deviation]:
    what = "nvme_default_ps_max_latency_us"
    tolerance = controller.latency_tolerance_us
    if declared == 0:
        idles = enters_idle_states(controller)
        if idles is False:
            return
        limit = f", its own latency limit is {tolerance}" if isinstance(tolerance, int | str) else ""
        observed = idles if isinstance(idles, Unread) else f"{controller.name} enters idle states by itself{limit}"
        yield Deviation(what=what, declared="0: no non-operational state", observed=observed)
    elif isinstance(tolerance, Unread):
        yield Deviation(what=what, declared=str(declared), observed=tolerance)
    elif tolerance not in (None, "auto", declared):
        gap = f"{controller.name} has its own latency limit of {tolerance}"
        yield Deviation(what=what, declared=str(declared), observed=gap)
