"""memory-errors: errors that the memory had.

The counts are the kernel's (EDAC); they begin at 0 at each boot, and exist only where it has a driver for the memory
controller: no count is no proof.
"""

from collections.abc import Iterator

from laneproof.advice import OPEN_CASE, advise
from laneproof.findings import Finding, Kind, Severity
from laneproof.past.box_record import DAY, WEEK, key_of
from laneproof.past.past import Past
from laneproof.rules.rule import Pass, Rule, holds, sign
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
    now = snapshot.taken_at
    last_day = past.box.grown(key_of("memory", name, "correctable"), within=DAY, now=now)
    week = past.box.grown(key_of("memory", name, "correctable"), within=WEEK, now=now)
    lost = past.box.grown(key_of("memory", name, "uncorrectable"), within=WEEK, now=now)
    if not (corrected or uncorrected or week or lost):
        return
    is_since_start = bool(corrected or uncorrected)
    before = past.standing.get((MEMORY_ERRORS.name, name))
    was_alarm = before is not None and before.severity is not Severity.NOTICE
    days = max(snapshot.up_seconds / DAY, 1.0)
    many = last_day >= _MANY_A_DAY or corrected / days >= _MANY_A_DAY or (was_alarm and week >= _MANY_A_DAY)
    is_alarm = lost or (is_since_start and many)
    if is_since_start:
        counted = f"since the box was started: {_say_counts(corrected, uncorrected)}"
        counted += f"; {week} corrected in the last 7 days" if week not in (0, corrected) else ""
        counted += f"; {lost} not corrected in the last 7 days" if lost not in (0, uncorrected) else ""
    else:
        counted = f"in the last 7 days: {_say_counts(week, lost)}, none since the box was started"
    steps = MEMORY_ERRORS.next_steps
    yield MEMORY_ERRORS.report(
        severity=Severity.CRITICAL if uncorrected else Severity.WARNING if is_alarm else Severity.NOTICE,
        key=name,
        summary=f"memory controller {name} counted errors {counted}",
        observed="errors not corrected" if uncorrected else "corrected errors",
        next_steps=steps if uncorrected or lost else steps[1:],
        evidence={
            "correctable": corrected,
            "uncorrectable": uncorrected,
            "correctable_last_day": last_day,
            "up_seconds": round(snapshot.up_seconds),
        },
    )


def _say_counts(corrected: int, uncorrected: int) -> str:
    counted = [f"{uncorrected} not corrected"] if uncorrected else []
    return ", ".join([*counted, f"{corrected} corrected"] if corrected else counted)


def _count(value: int | Unread) -> int:
    return value if isinstance(value, int) else 0


MEMORY_ERRORS = Rule(
    name="memory-errors",
    kind=Kind.SIGN,
    statement="No memory controller counted errors.",
    why=(
        "Everything an archive stores passes through memory, before any checksum of the file system. A corrected error "
        "is no harm done, and a module that has some tends to have more; one that was not corrected may be in the "
        "data. The kernel counts from zero at each start, which mends nothing: what it counted in the week before one "
        "is still reported."
    ),
    next_steps=advise(
        "Not corrected: write as little as you can, and compare what was written recently with its source.",
        "See which module it is (the kernel's log names it), and whether the rate or the profile was changed recently.",
        "Test the memory over a night, then swap modules one at a time with the box off. " + OPEN_CASE,
    ),
    judge=_judge,
    examples=(
        holds("no error was counted"),
        sign("one error was corrected", "memory controller mc0 counted errors since the box was started: 1 corrected"),
        sign(
            "an error was not corrected",
            "memory controller mc0 counted errors since the box was started: 1 not corrected, 3 corrected",
        ),
    ),
    sources=(
        "Linux Documentation/admin-guide/ras.rst: ce_count, ue_count",
        "Schroeder, Pinheiro, Weber: DRAM Errors in the Wild, SIGMETRICS 2009 (from memory)",
    ),
)
