"""Declarations beyond what the parts can do."""

from dataclasses import replace

from boxes.link_box import PATH, UNKNOWN, box, build, edit_both, judge
from boxes.snapshot_box import declare
from laneproof.findings import Kind
from laneproof.rules import judge_all
from laneproof.rules.links.link_beyond_hardware import LINK_BEYOND_HARDWARE
from laneproof.rules.links.link_slow import LINK_SLOW
from laneproof.rules.rule import Pass
from laneproof_collectors.snapshot import PciFunction
from support.rule_examples import check_examples, example


def unknown_rate(function: PciFunction) -> PciFunction:
    return replace(function, link=replace(function.link, capable_gt_s=UNKNOWN))


def test_unread_limit_leaves_the_why_open() -> None:
    made = box({"trained": (3, 4)}).without_registers()
    made.edit(PATH, unknown_rate)
    (finding,) = judge(LINK_SLOW, made)
    assert finding.evidence["reasons"] == ["unknown"]
    (beyond,) = judge(LINK_BEYOND_HARDWARE, made)
    assert beyond.kind is Kind.UNVERIFIED


def test_beyond_hardware_is_said_besides_and_becomes_the_reason() -> None:
    made = box(drive={"gen": 3, "lanes": 2})
    findings = {finding.rule: finding for finding in judge_all(Pass.of(declare(build()), made.snapshot()))}
    assert set(findings) == {"link-slow", "link-narrow", "link-beyond-hardware"}
    for rule in ("link-slow", "link-narrow"):
        assert findings[rule].evidence["reason"] == "link-beyond-hardware"
        assert "link-beyond-hardware" in findings[rule].next_steps[0]
    beyond = findings["link-beyond-hardware"]
    assert (beyond.declared, beyond.observed) == ("16 GT/s (generation 4) x4", "8 GT/s (generation 3) x2")


def test_hardware_that_can_do_what_is_declared_is_not_beyond() -> None:
    assert judge(LINK_BEYOND_HARDWARE, box({"trained": (1, 1)})) == []


def test_link_that_meets_its_plan_proves_its_hardware() -> None:
    made = edit_both(box().without_registers(), unknown_rate)
    assert judge(LINK_BEYOND_HARDWARE, made) == []


def test_one_known_end_below_the_plan_is_enough() -> None:
    made = box(drive={"gen": 3}).without_registers()
    made.edit(PATH, unknown_rate)
    assert [finding.kind for finding in judge(LINK_BEYOND_HARDWARE, made)] == [Kind.DIFFERS]


def test_examples() -> None:
    check_examples(
        LINK_BEYOND_HARDWARE,
        build(),
        example(box()),
        example(box(drive={"gen": 3, "lanes": 2}), "notice 0000:01:00.0 | Compare both ends,"),
    )
