"""A box with one link, its declaration, and what a link rule says of them."""

from collections.abc import Callable
from typing import Any

from boxes.simulated_past import past_of_boots
from boxes.snapshot_box import Box, declare
from laneproof.findings import Finding
from laneproof.past.boots import Boot, LinkLimits
from laneproof.past.past import NO_PAST, Past
from laneproof.rules.rule import Pass, Rule
from laneproof_collectors.snapshot import PciFunction
from laneproof_collectors.unread import Unread

PATH, DEVICE = "0000:00/01.1", "0000:00/01.1/00.0"
PLAN = "{ generation = 4, lanes = 4 }"


def build(link: str = PLAN, through: str = "[]") -> str:
    return f'[[position]]\nlabel = "riser-1"\npath = "{PATH}"\nthrough = {through}\nlink = {link}\n'


def box(port: dict[str, Any] | None = None, drive: dict[str, Any] | None = None) -> Box:
    return Box().with_port(PATH, **port or {}).with_drive(PATH, **drive or {})


def trained(generation: int = 4, lanes: int = 4, **port: Any) -> Box:
    made = Box().with_port(PATH, trained=(generation, lanes), **port)
    return made.with_drive(PATH, trained=(generation, lanes), serial="FN1")


def judge(rule: Rule, made: Box, text: str | None = None, past: Past = NO_PAST) -> list[Finding]:
    return list(rule.judge(Pass.of(declare(text if text is not None else build()), made.snapshot(), past)))


def judge_undeclared(rule: Rule, made: Box) -> list[Finding]:
    return list(rule.judge(Pass.of(None, made.snapshot())))


BOOTS = (
    Boot(boot_id="old", first_seen_at=1.0, bios_version="1.30"),
    Boot(boot_id="new", first_seen_at=2.0, bios_version="1.40"),
)


def past(*, target: float | None = 16.0, capable: float | None = 16.0, lanes: int | None = 4) -> Past:
    limits = LinkLimits(boot_id="old", target_gt_s=target, capable_gt_s=capable, capable_lanes=lanes)
    return past_of_boots(BOOTS, {PATH: limits})


UNKNOWN = Unread("max_link_speed of 0000:00:01.1", "not a link speed: b'Unknown'")


def edit_both(made: Box, edit: Callable[[PciFunction], PciFunction]) -> Box:
    return made.edit(PATH, edit).edit(DEVICE, edit)
