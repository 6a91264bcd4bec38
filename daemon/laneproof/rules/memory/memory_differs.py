"""memory-differs: how much memory there is, in how many modules, at what rate, and whether it corrects errors."""

from collections.abc import Iterator

from laneproof.advice import FIRMWARE_SETUP, OPEN_CASE, advise
from laneproof.declaration.tables import DeclaredMemory
from laneproof.declaration.units import format_bytes, is_same_capacity
from laneproof.findings import Finding, Kind, Severity
from laneproof.rules.rule import Pass, Rule, differs, holds
from laneproof_collectors.snapshot import Memory, MemoryModule
from laneproof_collectors.unread import Reason, Unread

# The kernel's total leaves out what firmware and graphics keep. Where the table of modules cannot be read, a total from
# nine tenths of what is declared is taken for all of it, and one below three quarters (a module of four is missing) for
# less. Common practice, no source.
_SURELY_ALL, _SURELY_LESS = 0.9, 0.75
_NO_CORRECTION = 3  # SMBIOS type 16, Memory Error Correction: 3 none, 5 single-bit, 6 multi-bit
_SAME_RATE_WITHIN = 0.01


def _judge(current: Pass) -> Iterator[Finding]:
    plan = current.build.memory if current.build else None
    if plan is None:
        return
    memory = current.snapshot.memory
    if isinstance(memory, Unread):
        yield _unverified("memory", memory)
        return
    yield from _judge_total(plan, memory)
    if isinstance(memory.modules, Unread):
        if plan.modules is not None or plan.speed_mt_s is not None:
            yield _unverified("memory modules", memory.modules)
    else:
        yield from _judge_modules(plan, memory.modules)
    yield from _judge_correction(plan, memory)


def _judge_total(plan: DeclaredMemory, memory: Memory) -> Iterator[Finding]:
    if plan.total is None or _is_short_of_modules(plan, memory):
        return
    sizes = [] if isinstance(memory.modules, Unread) else [module.size_bytes for module in memory.modules]
    known = [size for size in sizes if size is not None]
    declared = format_bytes(plan.total, binary=True)
    if known and len(known) == len(sizes):
        if not is_same_capacity(sum(known), plan.total):
            yield _differs("memory total", declared, format_bytes(sum(known), binary=True) + " in modules")
    elif isinstance(memory.total_bytes, Unread):
        yield _unverified("memory total", memory.total_bytes)
    else:
        share = memory.total_bytes / plan.total if plan.total else 0.0
        usable = format_bytes(memory.total_bytes, binary=True) + " usable by the kernel"
        if (share > 1 and not is_same_capacity(memory.total_bytes, plan.total)) or share < _SURELY_LESS:
            yield _differs("memory total", declared, usable)
        elif share < _SURELY_ALL:
            why = f"{usable} of {declared}; the firmware may keep the rest, and the table of modules cannot be read"
            yield _unverified("memory total", Unread("memory total", why, Reason.ABSENT), why)


def _is_short_of_modules(plan: DeclaredMemory, memory: Memory) -> bool:
    """Whether the number of modules differs, which explains the total and is reported with it."""
    return plan.modules is not None and not isinstance(memory.modules, Unread) and len(memory.modules) != plan.modules


def _judge_modules(plan: DeclaredMemory, modules: tuple[MemoryModule, ...]) -> Iterator[Finding]:
    if plan.modules is not None and len(modules) != plan.modules:
        sizes = [module.size_bytes for module in modules if module.size_bytes is not None]
        least = "" if len(sizes) == len(modules) else "at least "  # a module whose size the table does not have
        fitted = least + format_bytes(sum(sizes), binary=True)
        where = "".join(f", {module.locator}" for module in modules)
        found = f"{len(modules)} ({fitted}{where})"
        yield _differs("memory modules", str(plan.modules), found)
    if plan.speed_mt_s is None:
        return
    wrong = [
        module
        for module in modules
        if module.configured_mt_s is not None and not is_same_rate(module.configured_mt_s, plan.speed_mt_s)
    ]
    unknown = [module.locator for module in modules if module.configured_mt_s is None]
    if wrong:
        found = ", ".join(f"{module.locator} {module.configured_mt_s} MT/s{_rated(module)}" for module in wrong)
        yield _differs("memory speed", f"{plan.speed_mt_s} MT/s", found)
    elif unknown or not modules:
        what = f"speed of {', '.join(unknown) or 'any module'}"
        yield _unverified("memory speed", Unread(what, "the board's table does not say", Reason.ABSENT))


def is_same_rate(configured: int | None, rate: int) -> bool:
    """Whether a module runs at a rate; tables round, so that 2933 and 2934 are one."""
    return configured is not None and abs(configured - rate) <= _SAME_RATE_WITHIN * rate


def _rated(module: MemoryModule) -> str:
    if module.rated_mt_s is None or module.rated_mt_s == module.configured_mt_s:
        return ""
    return f" (rated {module.rated_mt_s})"


def _judge_correction(plan: DeclaredMemory, memory: Memory) -> Iterator[Finding]:
    if plan.ecc is None:
        return
    corrects: list[bool] = []
    if memory.error_correction is not None:
        corrects.append(memory.error_correction > _NO_CORRECTION)
    if not isinstance(memory.modules, Unread):
        corrects += [module.ecc for module in memory.modules if module.ecc is not None]
    words = {True: "corrects errors", False: "does not correct errors"}
    if not corrects:
        gap = Unread("error correction of the memory", "the board's table does not say", Reason.ABSENT)
        yield _unverified("memory ecc", memory.modules if isinstance(memory.modules, Unread) else gap)
    elif plan.ecc != all(corrects):
        yield _differs("memory ecc", words[plan.ecc], words[all(corrects)])


def _differs(key: str, declared: str, observed: str) -> Finding:
    return MEMORY_DIFFERS.report(
        severity=Severity.WARNING,
        key=key,
        summary=f"{key}: {observed}, declared {declared}",
        declared=declared,
        observed=observed,
        evidence={"item": key},
    )


def _unverified(key: str, gap: Unread, why: str | None = None) -> Finding:
    return MEMORY_DIFFERS.report_unverified(gap, about=key, why=why, key=key, evidence={"item": key})


MEMORY_DIFFERS = Rule(
    name="memory-differs",
    kind=Kind.DIFFERS,
    statement="Memory is as declared: total, modules, rate, error correction.",
    why=(
        "A module that lost contact takes half the memory and half its rate away, and the box runs on without a word. "
        "A rate below the declared one is often a firmware setting that a reset took away."
    ),
    next_steps=advise(
        "Look in the firmware setup which sockets are seen and at what rate. " + FIRMWARE_SETUP,
        "Reseat the modules in the sockets that the board's manual names for their number. " + OPEN_CASE,
    ),
    judge=_judge,
    examples=(
        holds("two modules of 32 GiB at 5600 MT/s"),
        differs("one module is gone", "memory modules: 1 (32 GiB, DIMM 1), declared 2"),
        differs(
            "the modules run below their rate",
            "memory speed: DIMM 1 4800 MT/s (rated 5600), DIMM 2 4800 MT/s (rated 5600), declared 5600 MT/s",
        ),
    ),
    sources=("SMBIOS (DSP0134), types 16 and 17; Linux Documentation/filesystems/proc.rst, MemTotal",),
)
