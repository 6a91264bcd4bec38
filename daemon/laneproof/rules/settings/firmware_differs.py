"""firmware-differs: the board's firmware, the kernel's release and the drives' firmware, as declared."""

from collections.abc import Iterator

from laneproof.advice import DEGRADED_ARRAY, FIRMWARE_SETUP, Step, advise
from laneproof.box.placement import Placement, is_same_text
from laneproof.declaration.build import Build
from laneproof.findings import Finding, Kind, Severity
from laneproof.rules.rule import Pass, Rule, differs, holds
from laneproof_collectors.snapshot import Firmware
from laneproof_collectors.unread import Unread

_BOARD_ITEMS = (("board", "board_name"), ("bios_version", "bios_version"), ("bios_date", "bios_date"))


def _judge(current: Pass) -> Iterator[Finding]:
    if current.build is None:
        return
    yield from _judge_board(current.build, current.snapshot.firmware)
    for placement in current.arrangement.placements:
        yield from _judge_drive(placement)


def _judge_board(build: Build, firmware: Firmware | Unread) -> Iterator[Finding]:
    declared = [
        (key, getattr(build.firmware, key), fact)
        for key, fact in _BOARD_ITEMS
        if build.firmware is not None and getattr(build.firmware, key) is not None
    ]
    release = build.kernel.release if build.kernel else None
    if release is not None:
        declared.append(("kernel.release", release, "kernel_release"))
    if not declared:
        return
    if isinstance(firmware, Unread):
        yield _unverified("board firmware", ", ".join(want for _, want, _ in declared), firmware)
        return
    for key, want, fact in declared:
        found = getattr(firmware, fact)
        if found is None:
            found = Unread(key, "the board has none")
        if isinstance(found, Unread):
            yield _unverified(key, want, found)
        elif not (_begins_with(found, want) if key == "kernel.release" else is_same_text(found, want)):
            yield FIRMWARE_DIFFERS.report(
                severity=Severity.NOTICE,
                key=key,
                summary=f"{key} is {found}, declared {want}",
                declared=want,
                observed=found,
                evidence={"item": key},
            )


def _begins_with(release: str, wanted: str) -> bool:
    """Whether a release is the wanted one, or goes on after it with another part: 6.1 fits 6.1.0-18, not 6.12."""
    rest = release.removeprefix(wanted)
    return release.startswith(wanted) and not (wanted[-1:].isdigit() and rest[:1].isdigit())


def _unverified(key: str, declared: str, gap: Unread) -> Finding:
    return FIRMWARE_DIFFERS.report_unverified(gap, about=key, key=key, declared=declared, evidence={"item": key})


def _judge_drive(placement: Placement) -> Iterator[Finding]:
    plan, occupant = placement.declared_device, placement.occupant
    if plan is None or plan.firmware is None or occupant is None or not placement.is_occupied:
        return
    found = occupant.firmware
    if found is None:
        found = Unread(f"the firmware of {occupant.name}", "it reports none")
    if isinstance(found, str) and is_same_text(found, plan.firmware):
        return
    label, name, path = placement.label, occupant.name, placement.position.path
    if isinstance(found, Unread):
        about = f"the firmware of {label}"
        yield FIRMWARE_DIFFERS.report_unverified(
            found, about=about, key=path, position=label, subject=name, declared=plan.firmware
        )
        return
    yield FIRMWARE_DIFFERS.report(
        severity=Severity.NOTICE,
        position=label,
        subject=name,
        key=path,
        summary=f"{label} runs firmware {found}, declared {plan.firmware}",
        declared=plan.firmware,
        observed=found,
        evidence={"firmware": found},
        next_steps=advise(DEGRADED_ARRAY, *FIRMWARE_DIFFERS.next_steps),
    )


FIRMWARE_DIFFERS = Rule(
    name="firmware-differs",
    kind=Kind.DIFFERS,
    statement="Board, kernel and drives run the firmware that is declared.",
    why=(
        "A new firmware of the board often resets its settings: the split of a slot, a speed limit, power management. "
        "A new firmware of a drive can cure or bring trouble. Knowing that it changed is half of finding what else did."
    ),
    next_steps=advise(
        Step(
            "If it was updated on purpose, go through the firmware setup again, audit, and correct the declaration.",
            (FIRMWARE_SETUP,),
        ),
        "Before changing a drive's firmware read the maker's notes and back up; this program never writes to a drive.",
    ),
    judge=_judge,
    examples=(
        holds("board and drive run what is declared"),
        differs(
            "the board was updated, and so was the drive",
            "bios_version is 1.50, declared 1.40",
            "riser-1 runs firmware 2.2, declared 2.1",
        ),
    ),
    sources=("SMBIOS (DSP0134), types 0 and 2, as Linux shows them under /sys/class/dmi/id",),
)
