"""How full a file system is, against its limit."""

import pytest

from boxes.mount_box import DECLARED, box, judge, mounted
from boxes.snapshot_box import ARCHIVE
from laneproof.findings import Kind, Severity
from laneproof.rules.file_systems.file_system_full import FILE_SYSTEM_FULL
from laneproof_collectors.snapshot import MountedFileSystem
from laneproof_collectors.unread import Unread
from support.rule_examples import check_examples, example


@pytest.mark.parametrize(
    ("used", "limit", "severity"),
    [
        (40, None, None),
        (90, None, None),
        (91, None, Severity.NOTICE),
        (99, None, Severity.CRITICAL),
        (80, 0.8, None),
        (81, 0.8, Severity.WARNING),
        (99, 0.8, Severity.CRITICAL),
        (95, 0.97, None),
    ],
)
def test_fullness_against_its_limit(used: int, limit: float | None, severity: Severity | None) -> None:
    text = DECLARED + (f"full_above = {limit}\n" if limit else "")
    findings = judge(FILE_SYSTEM_FULL, mounted(used=used), text=text)
    assert [finding.severity for finding in findings] == ([severity] if severity else [])


def test_what_is_kept_for_root_is_no_room() -> None:
    """As df shows it: 88 of 100 used, 5 kept for root: 88 / 95 is above nine tenths."""
    assert judge(FILE_SYSTEM_FULL, mounted(used=88)) == []
    assert len(judge(FILE_SYSTEM_FULL, mounted(used=88, reserved=5))) == 1


@pytest.mark.parametrize(
    "file_system",
    [
        mounted(used=100, kind="squashfs", read_only=True, declared_read_only=True),
        mounted(used=100, kind="iso9660"),
        mounted(used=99, read_only=True, declared_read_only=True),
        mounted(size_bytes=0, free_bytes=0, available_bytes=0),
    ],
)
def test_what_is_never_written_is_not_full(file_system: MountedFileSystem) -> None:
    assert judge(FILE_SYSTEM_FULL, file_system) == []


def test_figures_that_cannot_be_read_are_unverified() -> None:
    gap = Unread("file system at /srv/archive", "no answer within 5 s")
    file_system = mounted(size_bytes=gap, free_bytes=gap, available_bytes=gap)
    assert [finding.kind for finding in judge(FILE_SYSTEM_FULL, file_system)] == [Kind.UNVERIFIED]


def test_examples() -> None:
    check_examples(
        FILE_SYSTEM_FULL,
        ARCHIVE,
        example(box()),
        example(box(used=85), "warning /srv/archive | See what grew ('du"),
        example(box(used=95), "notice /srv/archive | See what grew ('du", build=None),
    )
