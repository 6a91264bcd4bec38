"""A box with one SATA drive, and what a rule says of it."""

from typing import Any

from boxes.snapshot_box import A_MORNING, SATA, Box, declare
from boxes.story_engine import DAY, watch_counter
from laneproof.findings import Finding
from laneproof.rules.rule import Pass, Rule
from laneproof_collectors.snapshot import Snapshot
from laneproof_collectors.unread import Reason, Unread

BUILD = declare('[[position]]\nlabel = "bay-1"\npath = "0000:00/17.0/ata-1"\n')
DENIED = Unread("smartctl of sda", "permission denied", Reason.DENIED)


def box(*, at: float = A_MORNING, **facts: Any) -> Snapshot:
    made = Box().with_device("0000:00/17.0", class_code=SATA).with_sata_drive("0000:00/17.0/ata-1", **facts)
    return made.snapshot(taken_at=at)


def judge(rule: Rule, **facts: Any) -> list[Finding]:
    return list(rule.judge(Pass.of(BUILD, box(**facts))))


def watch(rule: str, counter: str, counts: list[int]) -> list[Finding]:
    return watch_counter(BUILD, box, rule, counter, counts, every=DAY)
