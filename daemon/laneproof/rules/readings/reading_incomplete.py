"""reading-incomplete: a whole group of facts that could not be read, reported once.

Each rule reports what it could not verify. Where a whole group is missing, that would be many findings of one cause, so
the others are silent and this rule reports it for all.
"""

from collections.abc import Iterator

from laneproof.advice import advise
from laneproof.box.placement import hangs_on_controller
from laneproof.declaration.build import Build
from laneproof.findings import Finding, Kind, Severity
from laneproof.rules.rule import Pass, Rule, holds, unverified
from laneproof.rules.unread_steps import AS_ROOT, step_for
from laneproof_collectors.unread import Reason, Unread

GROUPS = {
    "functions": ("PCI functions", "positions, links and what is in them"),
    "slots": ("slots", "names of slots on the board"),
    "controllers": ("NVMe controllers", "identity and health of NVMe drives"),
    "power": ("kernel power settings", "power settings"),
    "firmware": ("board firmware", "board, firmware and kernel"),
    "memory": ("memory", "memory modules and their speeds"),
    "arrays": ("arrays", "the states of arrays"),
    "interfaces": ("network interfaces", "network links"),
    "bonds": ("bonds", "bonds"),
    "thermal": ("temperatures and fans", "heat and power"),
    "drives": ("SATA drives", "SATA, SAS and USB drives"),
    "file_systems": ("file systems", "file systems"),
    "mapped": ("mapped devices", "the drives behind encrypted and logical volumes"),
}
"""By group: what it is called, and what is open without it."""
_ALWAYS_JUDGED = ("functions", "controllers")


# What is reported between passes: a disconnect may leave no other trace.
_BETWEEN_PASSES = {
    "kernel-log": ("the kernel log", "disconnects, resets and errors that only the kernel's log shows"),
    "device-events": ("device events", "short disconnects between two readings"),
}


def _judge(current: Pass) -> Iterator[Finding]:
    build = current.build
    for group, (name, open_question) in GROUPS.items():
        gap = getattr(current.snapshot, group)
        if isinstance(gap, Unread) and _matters(group, gap, build) and not _is_reported_elsewhere(group, build):
            yield _report(group, name, open_question, gap)
    for group, gap in current.past.unread_logs.items():
        yield _report(group, *_BETWEEN_PASSES[group], gap)


def _report(group: str, name: str, open_question: str, gap: Unread) -> Finding:
    return READING_INCOMPLETE.report(
        severity=Severity.NOTICE,
        subject=name,
        key=group,
        summary=f"{name} could not be read, so {open_question} are unverified: {gap}",
        evidence={"group": group, "unread": str(gap), "reason": str(gap.reason)},
        next_steps=(step_for(gap), *READING_INCOMPLETE.next_steps[1:]),
    )


def _matters(group: str, gap: Unread, build: Build | None) -> bool:
    """Whether a missing group leaves a question open.

    PCI functions and NVMe controllers are always judged. Of other groups a source that does not exist on this machine
    leaves nothing to judge, unless something declared hangs on it.
    """
    if group in _ALWAYS_JUDGED or gap.reason is not Reason.ABSENT:
        return True
    return (
        group == "drives"
        and build is not None
        and any(hangs_on_controller(position.path) for position in build.position)
    )


def _is_reported_elsewhere(group: str, build: Build | None) -> bool:
    """Whether something declared needs this group alone, so that its own rule reports it as unverified."""
    if build is None:
        return False
    kernel = build.kernel
    asks_power = kernel is not None and any(
        value not in (None, ())
        for name, value in kernel
        if name not in ("links_aspm", "release")  # compared with other groups
    )
    asked = {
        "power": asks_power,
        "firmware": build.firmware is not None or (kernel is not None and kernel.release is not None),
        "memory": build.memory is not None,
        "arrays": bool(build.array),
        "bonds": bool(build.bond),
        "thermal": bool(build.fan),
        "file_systems": bool(build.file_system),
        "interfaces": any(plan.speed_mbit_s is not None for plan in build.network)
        or any(plan.member_speed_mbit_s is not None and plan.members for plan in build.bond),
    }
    return asked.get(group, False)


READING_INCOMPLETE = Rule(
    name="reading-incomplete",
    kind=Kind.UNVERIFIED,
    statement="Every group of facts can be read, and the kernel's log and device events too.",
    why="What cannot be read is not fine, it is unknown: a box that shows nothing must not be taken for a sound one.",
    next_steps=advise(
        AS_ROOT,
        "If it still fails, the sentence says what was asked and what the system answered; 'laneproof record' "
        "keeps the raw answers for a closer look.",
    ),
    judge=_judge,
    examples=(
        holds("everything was read"),
        unverified(
            "the list of PCI functions could not be read",
            "PCI functions could not be read, so positions, links and what is in them are unverified: could not "
            "read /sys/bus/pci/devices: permission denied",
        ),
        unverified(
            "the service may not read the kernel's log",
            "the kernel log could not be read, so disconnects, resets and errors that only the kernel's log shows "
            "are unverified: could not read the kernel log: not permitted (EPERM)",
        ),
    ),
)
