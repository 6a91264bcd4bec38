"""One mounted file system, and what a rule says of it."""

from typing import Any

from boxes.snapshot_box import Box, declare
from laneproof.findings import Finding
from laneproof.past.past import NO_PAST, Past
from laneproof.rules.rule import Pass, Rule
from laneproof_collectors.snapshot import MountedFileSystem


def mounted(mount: str = "/srv/archive", *, used: int = 40, reserved: int = 0, **facts: Any) -> MountedFileSystem:
    """Make a file system of 100 GB, so that figures are percentages."""
    gb = 10**9
    known: dict[str, Any] = {
        "device": "/dev/md0",
        "kind": "xfs",
        "size_bytes": 100 * gb,
        "free_bytes": (100 - used) * gb,
        "available_bytes": (100 - used - reserved) * gb,
        "read_only": False,
        "declared_read_only": False,
    }
    return MountedFileSystem(mount=mount, **known | facts)


def box(**facts: Any) -> Box:
    return Box().with_group(file_systems=(mounted(**facts),))


def judge(rule: Rule, *there: MountedFileSystem, text: str = "", past: Past = NO_PAST) -> list[Finding]:
    return list(rule.judge(Pass.of(declare(text), Box().with_group(file_systems=there).snapshot(), past)))


DECLARED = '[[file_system]]\nmount = "/srv/archive"\n'
