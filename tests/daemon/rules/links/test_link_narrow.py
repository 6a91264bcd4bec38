"""Links with fewer lanes than they should have."""

from dataclasses import replace
from typing import Any

import pytest

from boxes.link_box import DEVICE, PATH, UNKNOWN, box, build, edit_both, judge, judge_undeclared
from boxes.snapshot_box import Box
from laneproof.findings import Kind, Severity
from laneproof.rules.links.link_above_limit import LINK_ABOVE_LIMIT
from laneproof.rules.links.link_narrow import LINK_NARROW
from laneproof.rules.links.link_slow import LINK_SLOW
from laneproof_collectors.snapshot import PciFunction, PhysicalSlot
from laneproof_collectors.unread import Unread
from support.rule_examples import check_examples, example


@pytest.mark.parametrize("declared", [1, 2, 4])
@pytest.mark.parametrize("trained", [1, 2, 4])
def test_width_below_above_and_as_declared(declared: int, trained: int) -> None:
    made, text = box({"trained": (4, trained)}), build(f"{{ lanes = {declared} }}")
    assert bool(judge(LINK_NARROW, made, text)) == (trained < declared)
    assert bool(judge(LINK_ABOVE_LIMIT, made, text)) == (trained > declared)


@pytest.mark.parametrize(
    ("made", "reasons", "words"),
    [
        pytest.param(box({"trained": (4, 2)}), ["training"], "training itself", id="training"),
        pytest.param(box({"lanes": 1}), ["port-limit"], "the port has no more than x1, as it is wired", id="port"),
        pytest.param(box(drive={"lanes": 2}), ["device-limit"], "device itself has no more than x2", id="device"),
    ],
)
def test_narrow_link_says_why(made: Box, reasons: list[str], words: str) -> None:
    (finding,) = judge(LINK_NARROW, made)
    assert finding.evidence["reasons"] == reasons
    assert words in finding.summary


def test_narrow_link_names_the_boards_own_table() -> None:
    slot = PhysicalSlot(name="M2_3", address="0000:01:00", electrical_lanes=2, source="smbios")
    (finding,) = judge(LINK_NARROW, box({"trained": (4, 2)}).with_group(slots=(slot,)))
    assert "slot M2_3 wired for x2" in finding.summary


def test_narrow_link_behind_an_adapter_names_the_adapter() -> None:
    (finding,) = judge(LINK_NARROW, box({"trained": (4, 1)}), build(through='["key-adapter"]'))
    assert finding.evidence["reasons"] == ["training", "wiring"]
    assert "key-adapter" in finding.summary


def test_switch_port_that_reports_no_width_is_outvoted_by_the_drive() -> None:
    # as the emulated switch answers: no lanes and an unknown rate at the port, a real link at the drive
    odd: dict[str, Any] = {"capable_lanes": 0, "trained_lanes": 0, "capable_gt_s": UNKNOWN, "trained_gt_s": UNKNOWN}
    made = box({"registers": odd}, {"gen": 1, "lanes": 1})
    made.edit(PATH, lambda function: replace(function, link=replace(function.link, **odd)))
    for rule in (LINK_SLOW, LINK_NARROW):
        assert judge(rule, made, build("{ generation = 1, lanes = 1 }")) == []
        assert [finding.kind for finding in judge(rule, made)] == [Kind.DIFFERS]
        assert [finding.kind for finding in judge_undeclared(rule, made)] == [Kind.UNVERIFIED]


@pytest.mark.parametrize("odd", [UNKNOWN, 0, 63])
def test_width_that_no_end_tells_is_unverified(odd: int | Unread) -> None:
    made = edit_both(
        box().without_registers(), lambda function: replace(function, link=replace(function.link, trained_lanes=odd))
    )
    (finding,) = judge(LINK_NARROW, made)
    assert (finding.kind, finding.severity) == (Kind.UNVERIFIED, Severity.NOTICE)
    assert judge(LINK_SLOW, made) == []


def test_lower_of_two_witnesses_counts_and_both_are_shown() -> None:
    made = box().edit(DEVICE, lambda function: replace(function, link=replace(function.link, trained_lanes=2)))
    (finding,) = judge(LINK_NARROW, made)
    assert finding.observed == "x2"
    whole = dict.fromkeys(("port registers", "port in sysfs", "device registers"), 4)
    assert finding.evidence["width_witnesses"] == whole | {"device in sysfs": 2}


def forget_width(function: PciFunction) -> PciFunction:
    gap = Unread(f"current_link_width of {function.address}", "denied")
    return replace(function, link=replace(function.link, trained_lanes=gap))


def test_examples() -> None:
    check_examples(
        LINK_NARROW,
        build(),
        example(box()),
        example(box({"trained": (4, 2)}), "warning 0000:01:00.0 | Shut down, wait a"),
        example(edit_both(box().without_registers(), forget_width), "notice 0000:01:00.0 | Where the kernel"),
    )
