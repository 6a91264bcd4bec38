"""memory-differs: total, modules, rate, error correction."""

from dataclasses import replace

import pytest

from boxes.snapshot_box import Box, make_memory
from laneproof.findings import Finding, Kind
from laneproof.rules.memory.memory_differs import MEMORY_DIFFERS
from laneproof_collectors.snapshot import Memory
from laneproof_collectors.unread import Unread
from support.rule_examples import check_examples, example
from support.rule_examples import judge as judge_box

GIB = 1 << 30
UNREAD = Unread("/sys/firmware/dmi/entries", "permission denied")


def judge(plan: str | None, memory: Memory | Unread) -> list[Finding]:
    return judge_box(MEMORY_DIFFERS, plan and f"memory = {plan}", Box().with_group(memory=memory))


@pytest.mark.parametrize(
    ("plan", "memory", "keys"),
    [
        ('{ total = "64 GiB", modules = 2, speed_mt_s = 5600, ecc = false }', make_memory(), []),
        ('{ total = "96 GiB" }', make_memory(), ["memory total"]),
        ('{ total = "32 GiB" }', make_memory(), ["memory total"]),
        ('{ total = "64 GiB", modules = 2 }', make_memory("32 GiB"), ["memory modules"]),
        ("{ speed_mt_s = 5600 }", make_memory(configured_mt_s=4800), ["memory speed"]),
        ("{ speed_mt_s = 4800 }", make_memory(), ["memory speed"]),
        ("{ speed_mt_s = 2933 }", make_memory(configured_mt_s=2934), []),
        ("{ ecc = true }", make_memory(), ["memory ecc"]),
        ("{ ecc = true }", replace(make_memory(ecc=True), error_correction=6), []),
        ("{}", make_memory("1 GiB"), []),
    ],
)
def test_what_is_declared_is_compared(plan: str, memory: Memory, keys: list[str]) -> None:
    findings = judge(plan, memory)
    assert [finding.key for finding in findings] == keys
    assert all(finding.kind is Kind.DIFFERS for finding in findings)


@pytest.mark.parametrize(
    ("total_gib", "kind"),
    [
        (62.6, None),  # the kernel keeps a little
        (58.0, None),
        (52.0, Kind.UNVERIFIED),  # graphics may keep the rest
        (47.0, Kind.DIFFERS),
        (31.0, Kind.DIFFERS),
        (66.0, Kind.DIFFERS),
    ],
)
def test_without_the_table_the_kernels_total_is_judged_with_room(total_gib: float, kind: Kind | None) -> None:
    memory = replace(make_memory(), modules=UNREAD, total_bytes=int(total_gib * GIB))
    findings = judge('{ total = "64 GiB" }', memory)
    assert [finding.kind for finding in findings] == ([kind] if kind else [])
    for finding in findings:
        assert (finding.key, finding.declared) == ("memory total", "64 GiB" if kind is Kind.DIFFERS else None)
        assert f"{total_gib:g} GiB usable by the kernel" in finding.summary


@pytest.mark.parametrize(
    ("plan", "memory"),
    [
        ('{ total = "64 GiB" }', replace(make_memory(), modules=UNREAD, total_bytes=UNREAD)),
        ("{ modules = 2 }", replace(make_memory(), modules=UNREAD)),
        ("{ speed_mt_s = 5600 }", replace(make_memory(), modules=UNREAD)),
        ("{ speed_mt_s = 5600 }", make_memory(configured_mt_s=None)),
        ("{ ecc = true }", replace(make_memory(), modules=UNREAD, error_correction=None)),
        ('{ total = "64 GiB", modules = 2 }', UNREAD),
    ],
)
def test_what_cannot_be_read_is_unverified(plan: str, memory: Memory | Unread) -> None:
    assert [finding.kind for finding in judge(plan, memory)] == [Kind.UNVERIFIED]


def test_a_module_of_unknown_size_is_not_counted_as_nothing() -> None:
    memory = make_memory("32 GiB", "32 GiB", "32 GiB")
    assert not isinstance(memory.modules, Unread)
    first, *rest = memory.modules
    memory = replace(memory, modules=(replace(first, size_bytes=None), *rest))
    (finding,) = judge("{ modules = 2 }", memory)
    assert finding.observed is not None
    assert finding.observed.startswith("3 (at least 64 GiB,")


def test_nothing_declared_nothing_said() -> None:
    assert judge(None, UNREAD) == []


def test_examples() -> None:
    check_examples(
        MEMORY_DIFFERS,
        'memory = { total = "64 GiB", modules = 2, speed_mt_s = 5600 }',
        example(Box()),
        example(Box().with_memory("32 GiB"), "warning memory modules | Look in the"),
        example(Box().with_memory("32 GiB", "32 GiB", configured_mt_s=4800), "warning memory speed | Look in the"),
    )
