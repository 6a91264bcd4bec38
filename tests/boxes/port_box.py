"""A box with one network port, and what a rule says of it."""

from dataclasses import replace
from typing import Any

from boxes.snapshot_box import A_MORNING, TWO_PORTS, Box, declare, make_bond, make_interface
from boxes.story_engine import watch_counter
from laneproof.declaration.build import Build
from laneproof.findings import Finding
from laneproof.rules.rule import Pass, Rule
from laneproof_collectors.snapshot import Snapshot


def box(*, at: float = A_MORNING, **facts: Any) -> Snapshot:
    port = replace(make_interface("wan0"), **facts)
    return Box().with_group(interfaces=(port,)).snapshot(taken_at=at)


def judge(rule: Rule, snapshot: Snapshot, build: Build | None = None) -> list[Finding]:
    return list(rule.judge(Pass.of(build, snapshot)))


BOND = make_bond("bond0", ("wan0", "wan1"))


def judge_bond(rule: Rule, interfaces: object = (), bonds: object = (BOND,), text: str = TWO_PORTS) -> list[Finding]:
    return list(rule.judge(Pass.of(declare(text), Box().with_group(interfaces=interfaces, bonds=bonds).snapshot())))


def watch(rule: str, counter: str, counts: list[int], *, every: float) -> list[Finding]:
    return watch_counter(None, box, rule, counter, counts, every=every)
