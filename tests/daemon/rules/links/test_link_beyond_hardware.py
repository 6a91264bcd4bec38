"""Declarations beyond what the parts can do."""

from collections.abc import Callable
from dataclasses import replace

from boots_before import past_of_boots
from laneproof.findings import Finding, Kind
from laneproof.past.boots import Boot, LinkLimits
from laneproof.past.past import NOTHING, Past
from laneproof.rules import judge_all
from laneproof.rules.links.link_beyond_hardware import LINK_BEYOND_HARDWARE
from laneproof.rules.links.link_slow import LINK_SLOW
from laneproof.rules.rule import Pass, Rule
from laneproof_collectors.snapshot import PciFunction
from laneproof_collectors.unread import Unread
from simulated_box import Box, declare

PATH, DEVICE = "0000:00/01.1", "0000:00/01.1/00.0"

UNKNOWN = Unread("max_link_speed of 0000:00:01.1", "not a link speed: b'Unknown'")

PLAN = "{ generation = 4, lanes = 4 }"


def build(link: str = PLAN, through: str = "[]") -> str:
    return f'[[position]]\nlabel = "riser-1"\npath = "{PATH}"\nthrough = {through}\nlink = {link}\n'


def box(port: dict[str, object] | None = None, drive: dict[str, object] | None = None) -> Box:
    return Box().with_port(PATH, **port or {}).with_drive(PATH, **drive or {})


def judge(rule: Rule, made: Box, text: str | None = None, past: Past = NOTHING) -> list[Finding]:
    return list(rule.judge(Pass.of(declare(text if text is not None else build()), made.snapshot(), past)))


def edit_both(made: Box, edit: Callable[[PciFunction], PciFunction]) -> Box:
    return made.edit(PATH, edit).edit(DEVICE, edit)


def test_unread_limit_leaves_the_why_open() -> None:
    made = box({"trained": (3, 4)}).without_registers()
    made.edit(PATH, lambda one: replace(one, link=replace(one.link, capable_gt_s=UNKNOWN)))
    (finding,) = judge(LINK_SLOW, made)
    assert finding.evidence["reasons"] == ["unknown"]
    (beyond,) = judge(LINK_BEYOND_HARDWARE, made)
    assert beyond.kind is Kind.UNVERIFIED


def test_beyond_hardware_is_said_besides_and_becomes_the_reason() -> None:
    made = box(drive={"gen": 3, "lanes": 2})
    findings = {one.rule: one for one in judge_all(Pass.of(declare(build()), made.snapshot()))}
    assert set(findings) == {"link-slow", "link-narrow", "link-beyond-hardware"}
    for rule in ("link-slow", "link-narrow"):
        assert findings[rule].evidence["reason"] == "link-beyond-hardware"
        assert "link-beyond-hardware" in findings[rule].next_steps[0]
    beyond = findings["link-beyond-hardware"]
    assert (beyond.declared, beyond.observed) == ("16 GT/s (generation 4) x4", "8 GT/s (generation 3) x2")


def test_hardware_that_can_do_what_is_declared_is_not_beyond() -> None:
    assert judge(LINK_BEYOND_HARDWARE, box({"trained": (1, 1)})) == []


def test_link_that_meets_its_plan_proves_its_hardware() -> None:
    made = edit_both(box().without_registers(), lambda one: replace(one, link=replace(one.link, capable_gt_s=UNKNOWN)))
    assert judge(LINK_BEYOND_HARDWARE, made) == []


def test_one_known_end_below_the_plan_is_enough() -> None:
    made = box(drive={"gen": 3}).without_registers()
    made.edit(PATH, lambda one: replace(one, link=replace(one.link, capable_gt_s=UNKNOWN)))
    assert [one.kind for one in judge(LINK_BEYOND_HARDWARE, made)] == [Kind.DIFFERS]


BOOTS = (
    Boot(boot_id="old", first_seen_at=1.0, bios_version="1.30"),
    Boot(boot_id="new", first_seen_at=2.0, bios_version="1.40"),
)


def past(*, target: float | None = 16.0, capable: float | None = 16.0, lanes: int | None = 4) -> Past:
    limits = LinkLimits(boot_id="old", target_gt_s=target, capable_gt_s=capable, capable_lanes=lanes)
    return past_of_boots(BOOTS, {PATH: limits})
