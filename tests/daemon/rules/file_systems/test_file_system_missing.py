"""Declared file systems that are not mounted."""

from boxes.mount_box import DECLARED, box, judge, mounted
from boxes.snapshot_box import ARCHIVE, Box
from laneproof.findings import Kind
from laneproof.rules.file_systems.file_system_full import FILE_SYSTEM_FULL
from laneproof.rules.file_systems.file_system_missing import FILE_SYSTEM_MISSING
from laneproof.rules.file_systems.file_system_read_only import FILE_SYSTEM_READ_ONLY
from laneproof_collectors.unread import Unread
from support.rule_examples import check_examples, example
from support.rule_examples import judge as judge_box


def test_declared_file_system_that_is_mounted_holds() -> None:
    assert judge(FILE_SYSTEM_MISSING, mounted(), text=DECLARED.replace("archive", "archive/")) == []


def test_mount_table_that_could_not_be_read_is_unverified() -> None:
    box = Box().with_group(file_systems=Unread("/proc/self/mountinfo", "denied"))
    assert [finding.kind for finding in judge_box(FILE_SYSTEM_MISSING, DECLARED, box)] == [Kind.UNVERIFIED]
    assert [judge_box(rule, DECLARED, box) for rule in (FILE_SYSTEM_FULL, FILE_SYSTEM_READ_ONLY)] == [[], []]


def test_examples() -> None:
    check_examples(
        FILE_SYSTEM_MISSING,
        ARCHIVE,
        example(box()),
        example(Box(), "critical /srv/archive | Stop what writes"),
    )
