"""power-setting-differs: the kernel's power settings, and what is in force at each declared position.

Without a declared value only contradictions are reported: what was asked for on the command line and is not in force.
"""

from collections.abc import Iterator
from dataclasses import replace

from laneproof.advice import FIRMWARE_SETUP, advise
from laneproof.box.placement import Placement
from laneproof.declaration.tables import Acceptance, DeclaredKernel
from laneproof.findings import Cause, Finding, Kind, Severity
from laneproof.rules.firmware_setting import aspm_setting
from laneproof.rules.rule import Pass, Rule, differs, holds
from laneproof.rules.settings.power_contradictions import find_contradictions
from laneproof.rules.settings.power_positions import Deviation, find_deviations
from laneproof_collectors.snapshot import KernelPower, Setting
from laneproof_collectors.unread import Reason, Unread

_ORIGINS = {
    "command-line": "from the kernel's command line",
    "module-option": "from a module option in modprobe.d",
    "sysfs": "set while running",
    "default": "the kernel's default",
    "firmware": "decided by the board's firmware",
}


def write_setting(setting: Setting) -> str:
    """Write a setting in force with where it came from."""
    return f"{setting.value} ({_ORIGINS.get(setting.origin, setting.origin)})"


def _judge(current: Pass) -> Iterator[Finding]:
    plan = current.build.kernel if current.build else None
    if plan is not None:
        yield from _judge_declared(plan, current.build.accept if current.build else (), current)
    for contradiction in find_contradictions(plan, current.arrangement):
        yield POWER_SETTING_DIFFERS.report(
            severity=Severity.NOTICE,
            key=contradiction.what,
            summary=f"{contradiction.asked}, yet {contradiction.found}",
            declared=None,
            observed=contradiction.found,
            evidence={"asked": contradiction.asked, "devices": list(contradiction.devices)},
            next_steps=advise(_step(contradiction.what), *POWER_SETTING_DIFFERS.next_steps),
        )


# --- the kernel's own settings ----------------------------------------------------------------------------------------


def _judge_kernel(plan: DeclaredKernel, power: KernelPower | Unread) -> Iterator[Finding]:
    settings = ("command_line", "aspm_policy", "nvme_default_ps_max_latency_us", "port_power_management")
    if isinstance(power, Unread):
        if any(getattr(plan, name) not in (None, ()) for name in settings):
            yield _unverified("kernel power settings", None, power)
        return
    yield from _judge_command_line(plan.command_line, power.command_line)
    if plan.aspm_policy is not None:
        yield from _judge_setting("aspm_policy", plan.aspm_policy, power.aspm_policy)
    if plan.nvme_default_ps_max_latency_us is not None:
        declared = str(plan.nvme_default_ps_max_latency_us)
        setting = power.nvme_max_latency_us
        if setting is None:  # no driver, so nothing is in force that could differ
            setting = Unread("nvme_core.default_ps_max_latency_us", "the NVMe driver is not loaded", Reason.ABSENT)
        yield from _judge_setting("nvme_default_ps_max_latency_us", declared, setting)
    if plan.port_power_management is not None:
        found = power.port_power_management
        is_met = isinstance(found, Setting) and (found.value == "off") == (plan.port_power_management == "off")
        yield from _judge_setting("port_power_management", plan.port_power_management, found, is_met=is_met)


def _judge_command_line(wanted: tuple[str, ...], words: tuple[str, ...] | Unread) -> Iterator[Finding]:
    if not wanted:
        return
    if isinstance(words, Unread):
        yield _unverified("command_line", " ".join(wanted), words)
        return
    present = {_spell(word) for word in words}
    for word in dict.fromkeys(wanted):
        if _spell(word) not in present:
            name = _spell(word).partition("=")[0]
            others = [word for word in words if _spell(word).partition("=")[0] == name]
            observed = " ".join(others) if others else "not there"
            yield _differs(
                f"command line: {word}",
                word,
                observed,
                f"the kernel's command line should have {word}; it is {observed}",
                _step("command_line"),
            )


def _spell(word: str) -> str:
    """Spell a parameter's name as the kernel compares it. Source: kernel/params.c, ``parameq``."""
    name, equals, value = word.partition("=")
    return name.replace("-", "_") + equals + value


def _judge_setting(
    name: str, declared: str, setting: Setting | Unread | None, *, is_met: bool = False
) -> Iterator[Finding]:
    if isinstance(setting, Unread):
        yield _unverified(name, declared, setting)
    elif not is_met and (setting is None or setting.value != declared):
        observed = "no ASPM in this kernel" if setting is None else write_setting(setting)
        yield _differs(name, declared, observed, f"{name} is {observed}, declared {declared}", _step(name, declared))


def _differs(key: str, declared: str, observed: str, summary: str, step: str) -> Finding:
    return POWER_SETTING_DIFFERS.report(
        severity=Severity.WARNING,
        key=key,
        summary=summary,
        declared=declared,
        observed=observed,
        evidence={"setting": key},
        next_steps=advise(step, *POWER_SETTING_DIFFERS.next_steps),
    )


def _unverified(key: str, declared: str | None, gap: Unread) -> Finding:
    return POWER_SETTING_DIFFERS.report_unverified(
        gap, about=key, key=key, declared=declared, evidence={"setting": key}
    )


# --- positions --------------------------------------------------------------------------------------------------------

_SET_BY = {
    "links_aspm": ("aspm_policy", "command line: pcie_aspm.policy="),
    "nvme_default_ps_max_latency_us": (
        "nvme_default_ps_max_latency_us",
        "command line: nvme_core.default_ps_max_latency_us=",
    ),
    "port_power_management": ("port_power_management", "command line: pcie_port_pm="),
}
"""How the keys begin of findings about the kernel's own settings that decide each setting of a position."""
_IS_EACH_PORTS_OWN = "port_power_management"  # ports fall asleep and wake one by one

_Found = list[tuple[Placement, Deviation]]


def _judge_declared(plan: DeclaredKernel, accept: tuple[Acceptance, ...], current: Pass) -> Iterator[Finding]:
    """Judge the kernel's settings and the positions; what several positions share is one finding that names them."""
    of_kernel = {finding.key: finding for finding in _judge_kernel(plan, current.snapshot.power)}
    found = [
        (placement, deviation)
        for placement in current.arrangement.placements
        if placement.is_occupied and not placement.is_meant_empty
        for deviation in find_deviations(plan, placement)
    ]
    accepted = {acceptance.position for acceptance in accept if acceptance.rule == POWER_SETTING_DIFFERS.name}
    for what, keys in _SET_BY.items():
        shared = [
            (placement, deviation)
            for placement, deviation in found
            if deviation.what == what and isinstance(deviation.observed, str) and placement.label not in accepted
        ]
        decided_by = next(
            (
                finding
                for key in keys
                for finding in of_kernel.values()
                if finding.kind is Kind.DIFFERS and _spell(finding.key).startswith(key)
            ),
            None,
        )
        if shared and (decided_by or (len(shared) > 1 and what != _IS_EACH_PORTS_OWN)):
            joined = _report_shared(shared, decided_by, current)
            of_kernel[joined.key] = joined
            found = [pair for pair in found if not any(pair[1] is deviation for _, deviation in shared)]
    yield from of_kernel.values()
    for placement in current.arrangement.placements:
        yield from _judge_position(placement, [deviation for where, deviation in found if where is placement], current)


def _report_shared(shared: _Found, decided_by: Finding | None, current: Pass) -> Finding:
    labels = [placement.label for placement, _ in shared]
    what, declared, observed = shared[0][1].what, shared[0][1].declared, shared[0][1].observed
    finding = decided_by or _differs(
        what, declared, f"otherwise at {len(labels)} positions", f"{what} is not {declared} as declared", _step(what)
    )
    causes = (_find_causes(placement, [deviation], current) for placement, deviation in shared)
    return replace(
        finding,
        summary=f"{finding.summary}; it shows at {', '.join(labels)} ({labels[0]}: {observed})",
        evidence={**finding.evidence, "shared_by": labels},
        causes=next(filter(None, causes), ()),
    )


def _judge_position(placement: Placement, deviations: list[Deviation], current: Pass) -> Iterator[Finding]:
    differing = [deviation for deviation in deviations if not isinstance(deviation.observed, Unread)]
    if differing:
        yield _report_position(placement, differing, _find_causes(placement, differing, current))
    elif deviations:
        gaps = [deviation.observed for deviation in deviations if isinstance(deviation.observed, Unread)]
        words = "; ".join(dict.fromkeys(f"{deviation.what}: {deviation.observed}" for deviation in deviations))
        yield POWER_SETTING_DIFFERS.report_unverified(
            gaps[0],
            about=f"power settings of {placement.label}",
            why=words,
            key=placement.position.path,
            position=placement.label,
            subject=placement.occupant.name if placement.occupant else placement.label,
            declared=_join(deviations),
            evidence={"settings": [deviation.what for deviation in deviations], "unread": words},
        )


def _find_causes(placement: Placement, differing: list[Deviation], current: Pass) -> tuple[Cause, ...]:
    has_aspm = any(deviation.what == "links_aspm" for deviation in differing)
    return aspm_setting(placement.link, current.snapshot, current.past) if has_aspm else ()


def _join(deviations: list[Deviation]) -> str:
    return "; ".join(f"{deviation.what} {deviation.declared}" for deviation in deviations)


def _report_position(placement: Placement, differing: list[Deviation], causes: tuple[Cause, ...]) -> Finding:
    observed = "; ".join(str(deviation.observed) for deviation in differing)
    return POWER_SETTING_DIFFERS.report(
        severity=Severity.WARNING,
        position=placement.label,
        subject=placement.occupant.name if placement.occupant else placement.label,
        key=placement.position.path,
        summary=f"{placement.label}: {observed}; declared {_join(differing)}",
        declared=_join(differing),
        observed=observed,
        evidence={"settings": [deviation.what for deviation in differing], "path": placement.position.path},
        causes=causes,
        next_steps=advise(
            *dict.fromkeys(_step(deviation.what) for deviation in differing), *POWER_SETTING_DIFFERS.next_steps
        ),
    )


# --- the rule ---------------------------------------------------------------------------------------------------------

_STEPS = {
    "command_line": (
        "Add the word to the boot loader's kernel line, write its configuration again and restart: see the boot "
        "loader's manual."
    ),
    "aspm_policy": (
        "Set pcie_aspm.policy{value} on the kernel's command line; /sys/module/pcie_aspm/parameters/policy changes it "
        "until the next start. Where the board's firmware keeps ASPM to itself, the kernel refuses."
    ),
    "links_aspm": (
        "With the kernel in charge, pcie_aspm.policy=performance switches the states off, or 0 written into the link's "
        "own link/l1_aspm in sysfs until the next start; else the firmware setup does. pcie_aspm=off does not: links "
        "stay as the firmware set them, and error reporting is gone."
    ),
    "nvme_default_ps_max_latency_us": (
        "Set nvme_core.default_ps_max_latency_us{value} on the kernel's command line, or in modprobe.d and renew the "
        "initial ramdisk; drives take it at their next start. pm_qos_latency_tolerance_us overrides it for one drive."
    ),
    "port_power_management": "Set pcie_port_pm=off on the kernel's command line, or take it away, and restart.",
}


def _step(what: str, declared: object = None) -> str:
    """Say how a setting is changed, with the declared value where there is one."""
    return _STEPS[what].replace("{value}", "" if declared is None else f"={declared}")


POWER_SETTING_DIFFERS = Rule(
    name="power-setting-differs",
    kind=Kind.DIFFERS,
    statement="The kernel's power settings are as declared, and in force at each declared position.",
    why=(
        "A drive or link that does not wake from a low-power state in time drops off the bus; on home-made ways of "
        "adapters and cables that is a usual cause of drives that vanish at idle. Such settings are easily lost: a new "
        "boot loader line, a reset firmware setup, a module option that the initial ramdisk does not know."
    ),
    next_steps=advise(
        "See where the value came from: the command line, a module option, sysfs, the firmware, or the kernel's "
        "default.",
        FIRMWARE_SETUP,
    ),
    judge=_judge,
    examples=(
        holds("no low-power link state, and no idle state of the drive"),
        differs(
            "the port has L1 enabled though links are declared off",
            "riser-1: L1 at the port 0000:00:01.1; declared links_aspm off",
        ),
        differs(
            "the kernel's latency limit was left at its default",
            "nvme_default_ps_max_latency_us is 100000 (the kernel's default), declared 0",
        ),
        differs(
            "the same limit lets both drives enter idle states: one finding names them",
            "nvme_default_ps_max_latency_us is 100000 (the kernel's default), declared 0; it shows at riser-1, "
            "riser-2 (riser-1: nvme0 enters idle states by itself, its own latency limit is 100000)",
        ),
        differs(
            "nothing is declared: asked for on the command line, but not in force",
            "the command line asks for nvme_core.default_ps_max_latency_us=0, yet 5500 is in force",
        ),
    ),
    sources=(
        "Linux Documentation/admin-guide/kernel-parameters.txt: pcie_aspm, pcie_port_pm",
        "Linux drivers/pci/pcie/aspm.c: policies; pcie_aspm=off leaves the firmware's setting in place",
        "Linux Documentation/ABI/testing/sysfs-devices-power: pm_qos_latency_tolerance_us",
        "NVM Express Base Specification 2.0, feature 0Ch, Autonomous Power State Transition",
    ),
)
