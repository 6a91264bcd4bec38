"""memory-slow: modules below what they are made for, or all on one channel.

A rate that the declaration asks for is the plan: modules that run at it are not slow.
"""

import re
from collections.abc import Iterator

from laneproof.advice import FIRMWARE_SETUP, OPEN_CASE, advise
from laneproof.declaration.tables import DeclaredMemory
from laneproof.findings import Finding, Kind, Severity
from laneproof.rules.memory.memory_differs import is_same_rate
from laneproof.rules.rule import Pass, Rule, differs, holds
from laneproof_collectors.snapshot import MemoryModule
from laneproof_collectors.unread import Reason, Unread

_CHANNEL = re.compile(r"(?:CHANNEL|CH|DIMM|BANK)[ _-]?([A-H])(?![A-Z])", re.IGNORECASE)
_CONTROLLER = re.compile(r"(?:CONTROLLER|CPU|NODE|\bP)[ _-]?(\d{1,2})", re.IGNORECASE)
"""Boards name sockets by channel and number: DIMM_A2, ChannelB-DIMM0, Controller1-ChannelA-DIMM0, P0 CHANNEL A. Common
practice, no source."""


def _judge(current: Pass) -> Iterator[Finding]:
    memory = current.snapshot.memory
    plan = current.build.memory if current.build else None
    if isinstance(memory, Unread):
        return  # memory-differs or reading-incomplete says so
    if isinstance(memory.modules, Unread):
        if plan is not None and (plan.rated_mt_s is not None or plan.channels is not None):
            yield MEMORY_SLOW.report_unverified(memory.modules, about="the rate of the memory", key="memory rate")
        return
    yield from _judge_rate(plan, memory.modules)
    yield from _judge_channels(plan, memory.modules)


def _judge_rate(plan: DeclaredMemory | None, modules: tuple[MemoryModule, ...]) -> Iterator[Finding]:
    slow = [module for module in modules if _is_below(module.configured_mt_s, _rate_made_for(plan, module))]
    meant = plan.speed_mt_s if plan else None
    slow = [module for module in slow if meant is None or not is_same_rate(module.configured_mt_s, meant)]
    if slow:
        rates = sorted({rate for module in slow if (rate := _rate_made_for(plan, module))})
        made_for = " and ".join(f"{rate} MT/s" for rate in rates)
        found = ", ".join(f"{module.locator} {module.configured_mt_s} MT/s" for module in slow)
        yield MEMORY_SLOW.report(
            severity=Severity.NOTICE,
            key="memory rate",
            summary=f"memory runs below its rating: {found}, made for {made_for}",
            declared=made_for,
            observed=found,
            evidence={
                "modules": [
                    {
                        "locator": module.locator,
                        "configured_mt_s": module.configured_mt_s,
                        "rated_mt_s": module.rated_mt_s,
                    }
                    for module in slow
                ],
                "modules_fitted": len(modules),
            },
        )
        return
    unknown = [module.locator for module in modules if module.configured_mt_s is None]
    if unknown and plan is not None and plan.rated_mt_s is not None:
        gap = Unread(f"the rate of {', '.join(unknown)}", "the board's table does not say", Reason.ABSENT)
        yield MEMORY_SLOW.report_unverified(
            gap, about="the rate of the memory", key="memory rate", next_steps=advise(FIRMWARE_SETUP)
        )


def _rate_made_for(plan: DeclaredMemory | None, module: MemoryModule) -> int | None:
    declared = plan.rated_mt_s if plan else None
    return max((rate for rate in (declared, module.rated_mt_s) if rate is not None), default=None)


def _is_below(configured: int | None, rated: int | None) -> bool:
    return configured is not None and rated is not None and configured < rated and not is_same_rate(configured, rated)


def find_channels(modules: tuple[MemoryModule, ...]) -> tuple[str, ...] | None:
    """Find over which channels modules are spread, by the sockets' names: letters, after the controller's number.

    None unless every socket's name shows one.
    """
    found = set()
    for module in modules:
        match = _CHANNEL.search(module.locator) or _CHANNEL.search(module.bank)
        if match is None:
            return None
        controller = _CONTROLLER.search(module.locator) or _CONTROLLER.search(module.bank)
        found.add(f"{controller[1] if controller else ''}{match[1].upper()}")
    return tuple(sorted(found))


def _judge_channels(plan: DeclaredMemory | None, modules: tuple[MemoryModule, ...]) -> Iterator[Finding]:
    channels = find_channels(modules)
    meant = plan.channels if plan else None
    if channels is None:
        if meant is not None:
            gap = Unread("the channels of the memory", "its sockets' names do not show them", Reason.ABSENT)
            yield MEMORY_SLOW.report_unverified(
                gap, about="memory channels", key="memory channels", next_steps=advise(FIRMWARE_SETUP)
            )
        return
    wanted = meant or (2 if len(modules) > 1 else 1)
    if modules and len(channels) < wanted:
        where = ", ".join(module.locator for module in modules)
        word = "channel" if len(channels) == 1 else "channels"
        asked = "declared" if meant else "and could be on"
        yield MEMORY_SLOW.report(
            severity=Severity.WARNING if meant else Severity.NOTICE,
            key="memory channels",
            summary=f"the memory modules ({where}) are on {len(channels)} {word}, {asked} at least {wanted}",
            declared=f"{wanted} channels",
            observed=f"{len(channels)} {word}",
            evidence={"channels": list(channels), "modules": [module.locator for module in modules]},
        )


MEMORY_SLOW = Rule(
    name="memory-slow",
    kind=Kind.DIFFERS,
    statement="Memory runs at the rate its modules are made for, on more than one channel, or as declared.",
    why=(
        "Checksums, parity and a fast network all go through memory. A profile that a firmware update took away, or "
        "two modules in one channel, costs a third to a half of its bandwidth, and nothing else shows it."
    ),
    next_steps=advise(
        "Look in the firmware setup whether the modules' own profile is chosen. " + FIRMWARE_SETUP,
        "See the board's manual: many boards run slower with two modules on a channel, or with large ones. Then "
        "that is the plan: declare it as speed_mt_s.",
        "Modules belong in the sockets that the manual names for their number: one for each channel first. "
        + OPEN_CASE,
        "A rate above the board's own list is no fault to be mended: errors of memory spoil data without a word.",
    ),
    judge=_judge,
    examples=(
        holds("modules run at their rating"),
        differs(
            "modules made for 5600 MT/s run at 4800",
            "memory runs below its rating: DIMM 1 4800 MT/s, DIMM 2 4800 MT/s, made for 5600 MT/s",
        ),
        holds("the same, and 4800 MT/s is declared: the owner's plan"),
    ),
    sources=("SMBIOS (DSP0134), type 17: Speed, Configured Memory Speed, Device Locator, Bank Locator",),
)
