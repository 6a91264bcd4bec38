"""Power settings that contradict themselves, where none is declared: asked for, and not in force."""

from collections.abc import Iterator
from typing import NamedTuple

from laneproof.box.idle_states import enters_idle_states
from laneproof.box.placement import Arrangement
from laneproof.declaration.tables import DeclaredKernel
from laneproof.rules.settings.power_positions import read_aspm, write_aspm
from laneproof_collectors.snapshot import KernelPower
from laneproof_collectors.unread import Unread, if_read

_LATENCY = "nvme_core.default_ps_max_latency_us"


class Contradiction(NamedTuple):
    """One setting, as the declaration names it, with what was asked for, what is in force instead, and where."""

    what: str
    asked: str
    found: str
    devices: tuple[str, ...] = ()


def find_contradictions(plan: DeclaredKernel | None, arrangement: Arrangement) -> Iterator[Contradiction]:
    """Find settings that contradict themselves, where none is declared: a declared one is compared with what is."""
    power = arrangement.snapshot.power
    if isinstance(power, Unread):
        return
    if plan is None or plan.nvme_default_ps_max_latency_us is None:
        yield from _check_latency(power, arrangement)
    if plan is None or plan.links_aspm is None:
        yield from _check_aspm(power, arrangement)


def _check_latency(power: KernelPower, arrangement: Arrangement) -> Iterator[Contradiction]:
    setting = power.nvme_max_latency_us
    if setting is None or isinstance(setting, Unread):
        return
    words = if_read(power.command_line)
    pairs = [word.partition("=") for word in words]
    asked = [value for name, _, value in pairs if name.replace("-", "_") == _LATENCY]
    if asked and _as_number(asked[-1]) != _as_number(setting.value):
        wanted = f"the command line asks for {_LATENCY}={asked[-1]}"
        yield Contradiction("nvme_default_ps_max_latency_us", wanted, f"{setting.value} is in force")
    elif setting.value == "0":
        awake = [drive for drive in arrangement.topology.controllers.values() if enters_idle_states(drive) is True]
        if awake:
            names = tuple(sorted(drive.name for drive in awake))
            found = f"{', '.join(names)} still enters idle states by itself"
            yield Contradiction("nvme_default_ps_max_latency_us", f"{_LATENCY} is 0", found, names)


def _as_number(text: str) -> int | str:
    """Read a number as the kernel does, with a base prefix allowed. Source: lib/kstrtox.c."""
    try:
        return int(text, 0)
    except ValueError:
        return text


def _check_aspm(power: KernelPower, arrangement: Arrangement) -> Iterator[Contradiction]:
    policy = power.aspm_policy
    if power.aspm_forced_off is True:
        asked = "the command line asks for pcie_aspm=off (which leaves links as the firmware set them)"
    elif policy is not None and not isinstance(policy, Unread) and policy.value == "performance":
        asked = "the ASPM policy is performance"
    else:
        return
    enabled: dict[str, str] = {}
    for drive in arrangement.drives:
        link = arrangement.topology.link_at(drive.path)
        for end in (link.port, link.device) if link else ():
            bits = read_aspm(end) if end else None
            if isinstance(bits, int) and bits:
                enabled.setdefault(drive.name, write_aspm(bits))
    if enabled:
        states = ", ".join(f"{name} has {states}" for name, states in sorted(enabled.items()))
        found = f"low-power link states are enabled: {states}"
        yield Contradiction("links_aspm", asked, found, tuple(sorted(enabled)))
