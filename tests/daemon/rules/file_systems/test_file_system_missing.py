"""Declared file systems that are not mounted."""

from typing import Any

from laneproof.findings import Finding, Kind, Severity
from laneproof.past.past import NOTHING, Past
from laneproof.rules.file_systems.file_system_full import FILE_SYSTEM_FULL
from laneproof.rules.file_systems.file_system_missing import FILE_SYSTEM_MISSING
from laneproof.rules.file_systems.file_system_read_only import FILE_SYSTEM_READ_ONLY
from laneproof.rules.rule import Pass, Rule
from laneproof_collectors.snapshot import MountedFileSystem
from laneproof_collectors.unread import Unread
from simulated_box import Box, declare


def mounted(mount: str = "/srv/archive", *, used: int = 40, reserved: int = 0, **facts: Any) -> MountedFileSystem:  # noqa: ANN401
    """Make a file system of 100 GB, so that figures are percentages."""
    gb = 10**9
    told: dict[str, Any] = {
        "device": "/dev/md0",
        "kind": "xfs",
        "size_bytes": 100 * gb,
        "free_bytes": (100 - used) * gb,
        "available_bytes": (100 - used - reserved) * gb,
        "read_only": False,
        "declared_read_only": False,
    }
    return MountedFileSystem(mount=mount, **told | facts)


def judge(rule: Rule, *there: MountedFileSystem, text: str = "", past: Past = NOTHING) -> list[Finding]:
    return list(rule.judge(Pass.of(declare(text), Box().with_group(file_systems=there).snapshot(), past)))


DECLARED = '[[file_system]]\nmount = "/srv/archive"\n'


def test_declared_file_system_that_is_mounted_holds() -> None:
    assert judge(FILE_SYSTEM_MISSING, mounted(), text=DECLARED) == []
    assert judge(FILE_SYSTEM_MISSING, mounted(), text=DECLARED.replace("archive", "archive/")) == []


def test_declared_file_system_that_is_not_mounted_is_critical() -> None:
    (finding,) = judge(FILE_SYSTEM_MISSING, mounted("/"), text=DECLARED)
    assert (finding.kind, finding.severity, finding.key) == (Kind.DIFFERS, Severity.CRITICAL, "/srv/archive")


def test_nothing_declared_nothing_missed() -> None:
    assert judge(FILE_SYSTEM_MISSING) == []


def test_mount_table_that_could_not_be_read_is_unverified() -> None:
    snapshot = Box().with_group(file_systems=Unread("/proc/self/mountinfo", "denied")).snapshot()
    assert [one.kind for one in FILE_SYSTEM_MISSING.judge(Pass.of(declare(DECLARED), snapshot))] == [Kind.UNVERIFIED]
    assert list(FILE_SYSTEM_FULL.judge(Pass.of(declare(DECLARED), snapshot))) == []
    assert list(FILE_SYSTEM_READ_ONLY.judge(Pass.of(declare(DECLARED), snapshot))) == []
