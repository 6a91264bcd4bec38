"""Memory below what it is made for."""

from dataclasses import replace
from typing import Any

import pytest

from boxes.snapshot_box import Box, make_memory
from laneproof.findings import Finding, Kind, Severity
from laneproof.rules.memory.memory_slow import MEMORY_SLOW, find_channels
from laneproof_collectors.snapshot import Memory, MemoryModule
from laneproof_collectors.unread import Unread, if_read
from support.rule_examples import check_examples, example, judge

UNREAD = Unread("/sys/firmware/dmi/entries", "permission denied")


def judge_memory(memory: Memory | Unread, plan: str | None = None) -> list[Finding]:
    return judge(MEMORY_SLOW, plan and f"memory = {plan}", Box().with_group(memory=memory))


def fitted(*locators: str, bank: str = "") -> tuple[MemoryModule, ...]:
    (module, _) = if_read(make_memory().modules)
    return tuple(replace(module, locator=locator, bank=bank) for locator in locators)


@pytest.mark.parametrize(
    ("plan", "facts", "speaks"),
    [
        (None, {}, False),
        (None, {"configured_mt_s": 4800}, True),
        (None, {"configured_mt_s": 5588}, False),  # within one percent: tables round
        (None, {"configured_mt_s": 6000}, False),
        (None, {"configured_mt_s": None}, False),
        (None, {"rated_mt_s": None, "configured_mt_s": 4800}, False),
        ("{ speed_mt_s = 4800 }", {"configured_mt_s": 4800}, False),  # the owner's plan
        ("{ speed_mt_s = 5600 }", {"configured_mt_s": 4800}, True),  # the reason for memory-differs
        ("{ rated_mt_s = 5600 }", {"rated_mt_s": 4800, "configured_mt_s": 4800}, True),  # sold as more
        ("{ modules = 2 }", {"configured_mt_s": 4800}, True),
    ],
)
def test_rate_is_held_to_what_modules_are_made_for(plan: str | None, facts: dict[str, Any], *, speaks: bool) -> None:
    findings = judge_memory(make_memory(**facts), plan)
    assert [finding.kind for finding in findings] == ([Kind.DIFFERS] if speaks else [])


@pytest.mark.parametrize(
    ("locators", "bank", "channels"),
    [
        (("DIMM_A1", "DIMM_B1"), "", ("A", "B")),
        (("ChannelA-DIMM0", "ChannelB-DIMM0"), "BANK 0", ("A", "B")),
        (("Controller0-ChannelA-DIMM0", "Controller1-ChannelA-DIMM0"), "BANK 0", ("0A", "1A")),
        (("DIMM 0", "DIMM 1"), "P0 CHANNEL A", ("0A",)),
        (("DIMMA1", "DIMMA2"), "", ("A",)),
        (("DIMM 1", "DIMM 2"), "", None),
        (("RAM slot #0",), "", None),
        ((), "", ()),
    ],
)
def test_channels_come_from_the_sockets_names(
    locators: tuple[str, ...], bank: str, channels: tuple[str, ...] | None
) -> None:
    assert find_channels(fitted(*locators, bank=bank)) == channels


@pytest.mark.parametrize(
    ("locators", "plan", "severity"),
    [
        (("DIMM_A1", "DIMM_B1"), None, None),
        (("DIMM_A1", "DIMM_A2"), None, Severity.NOTICE),
        (("DIMM_A1",), None, None),
        (("DIMM_A1",), "{ channels = 2 }", Severity.WARNING),
        (("DIMM_A1", "DIMM_A2"), "{ channels = 1 }", None),
        (("DIMM 1", "DIMM 2"), None, None),
    ],
)
def test_modules_of_one_channel_are_reported(
    locators: tuple[str, ...], plan: str | None, severity: Severity | None
) -> None:
    findings = judge_memory(replace(make_memory(), modules=fitted(*locators)), plan)
    assert [finding.severity for finding in findings] == ([severity] if severity else [])


@pytest.mark.parametrize(
    ("memory", "plan", "kinds"),
    [
        (UNREAD, None, []),  # reported by reading-incomplete
        (UNREAD, "{ rated_mt_s = 5600 }", []),  # reported by memory-differs
        (replace(make_memory(), modules=UNREAD), None, []),
        (replace(make_memory(), modules=UNREAD), "{ rated_mt_s = 5600 }", [Kind.UNVERIFIED]),
        (replace(make_memory(), modules=UNREAD), "{ channels = 2 }", [Kind.UNVERIFIED]),
        (make_memory(configured_mt_s=None), "{ rated_mt_s = 5600 }", [Kind.UNVERIFIED]),
        (make_memory(), "{ channels = 2 }", [Kind.UNVERIFIED]),  # DIMM 1, DIMM 2: names that tell no channel
    ],
)
def test_what_is_declared_and_cannot_be_read_is_unverified(
    memory: Memory | Unread, plan: str | None, kinds: list[Kind]
) -> None:
    assert [finding.kind for finding in judge_memory(memory, plan)] == kinds


def test_examples() -> None:
    check_examples(
        MEMORY_SLOW,
        None,
        example(Box()),
        example(Box().with_memory("32 GiB", "32 GiB", configured_mt_s=4800), "notice memory rate | Look in the"),
        example(Box().with_memory("32 GiB", "32 GiB", configured_mt_s=4800), build="memory = { speed_mt_s = 4800 }"),
    )
