"""memory-errors: errors that the memory had.

The counts are the kernel's (EDAC); they begin at 0 at each boot, and exist only where it has a driver for the memory
controller: no count is no proof.
"""

from collections.abc import Iterator

from laneproof.advice import OPEN_CASE, advise
from laneproof.findings import Finding, Kind, Severity
from laneproof.past.box_record import DAY, WEEK, key_of
from laneproof.past.past import Past
from laneproof.rules.rule import Pass, Rule
from laneproof_collectors.snapshot import EdacController, Snapshot
from laneproof_collectors.unread import Unread

_MANY_A_DAY = 10
"""Corrected errors a day from which a module is worth replacing soon. Our choice: field studies find that most modules
never have one, and that those which do have many (Schroeder, Pinheiro, Weber: DRAM Errors in the Wild, SIGMETRICS 2009;
from memory)."""


def _judge(current: Pass) -> Iterator[Finding]:
    if isinstance(current.snapshot.memory, Unread):
        return  # memory-differs or reading-incomplete says so
    for controller in current.snapshot.memory.edac:
        yield from _judge_controller(controller, current.snapshot, current.past)


def _judge_controller(controller: EdacController, snapshot: Snapshot, past: Past) -> Iterator[Finding]:
    name = controller.name
    for count in (controller.uncorrectable, controller.correctable):
        if isinstance(count, Unread):
            yield MEMORY_ERRORS.report_unverified(count, about=f"errors of memory controller {name}", key=name)
            return
    corrected, uncorrected = _count(controller.correctable), _count(controller.uncorrectable)
    if not corrected and not uncorrected:
        return
    now = snapshot.taken_at
    last_day = past.box.grown(key_of("memory", name, "correctable"), within=DAY, now=now)
    week = past.box.grown(key_of("memory", name, "correctable"), within=WEEK, now=now)
    days = max(snapshot.up_seconds / DAY, 1.0)
    many = last_day >= _MANY_A_DAY or corrected / days >= _MANY_A_DAY
    severity = Severity.CRITICAL if uncorrected else Severity.WARNING if many else Severity.NOTICE
    counted = [f"{uncorrected} not corrected"] if uncorrected else []
    counted += [f"{corrected} corrected"] if corrected else []
    recent = f"; {week} of them seen in the last 7 days" if week else ""
    yield MEMORY_ERRORS.report(
        severity=severity,
        key=name,
        summary=f"memory controller {name} counted errors since the box was started: {', '.join(counted)}{recent}",
        observed="errors not corrected" if uncorrected else "corrected errors",
        evidence={
            "correctable": corrected,
            "uncorrectable": uncorrected,
            "correctable_last_day": last_day,
            "up_seconds": round(snapshot.up_seconds),
        },
    )


def _count(value: int | Unread) -> int:
    return value if isinstance(value, int) else 0


MEMORY_ERRORS = Rule(
    name="memory-errors",
    kind=Kind.SIGN,
    statement="No memory controller counted errors.",
    why=(
        "Everything an archive stores passes through memory, before any checksum of the file system. A corrected error "
        "is no harm done, and a module that has some tends to have more; one that was not corrected may be in the data."
    ),
    next_steps=advise(
        "Not corrected: write as little as you can, and compare what was written recently with its source.",
        "See which module it is (the kernel's log names it), and whether the rate or the profile was changed recently.",
        "Test the memory over a night, then swap modules one at a time with the box off. " + OPEN_CASE,
    ),
    judge=_judge,
    examples=(
        ("holds", "no error was counted"),
        (
            "sign",
            "one error was corrected",
            "memory controller mc0 counted errors since the box was started: 1 corrected",
        ),
        (
            "sign",
            "an error was not corrected",
            "memory controller mc0 counted errors since the box was started: 1 not corrected, 3 corrected",
        ),
    ),
    sources=(
        "Linux Documentation/admin-guide/ras.rst: ce_count, ue_count",
        "Schroeder, Pinheiro, Weber: DRAM Errors in the Wild, SIGMETRICS 2009 (from memory)",
    ),
)
