"""Positions and their occupants, and what a rule says of them."""

from laneproof.findings import Finding
from laneproof.rules.rule import Pass, Rule
from laneproof_collectors.snapshot import Snapshot
from simulated_box import Box, declare


def judge(rule: Rule, text: str, box: Box | Snapshot) -> list[Finding]:
    return list(rule.judge(Pass.of(declare(text), box.snapshot() if isinstance(box, Box) else box)))


def position(label: str, number: int, occupant: str) -> str:
    return f'[[position]]\nlabel = "{label}"\npath = "0000:00/01.{number}"\noccupant = {occupant}\n'


def at(*serials: str | None) -> Box:
    box = Box()
    for number, serial in enumerate(serials, start=1):
        box.with_port(f"0000:00/01.{number}")
        if serial:
            box.with_drive(f"0000:00/01.{number}", serial=serial)
    return box
