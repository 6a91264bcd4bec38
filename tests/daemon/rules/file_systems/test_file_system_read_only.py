"""File systems that turned read-only."""

import pytest

from boxes.mount_box import DECLARED, box, judge, mounted
from boxes.snapshot_box import make_firmware
from laneproof.findings import Kind
from laneproof.past.box_record import BoxRecord
from laneproof.past.past import Past
from laneproof.rules.file_systems.file_system_read_only import FILE_SYSTEM_READ_ONLY
from laneproof_collectors.snapshot import MountedFileSystem
from laneproof_collectors.unread import Unread
from support.rule_examples import check_examples, example

BOOT = make_firmware().boot_id


@pytest.mark.parametrize(
    ("file_system", "text"),
    [
        (mounted(read_only=True, declared_read_only=True), ""),
        (mounted(read_only=True), DECLARED + "read_only = true\n"),
        (mounted(read_only=True, kind="squashfs"), ""),
    ],
)
def test_read_only_on_purpose_holds(file_system: MountedFileSystem, text: str) -> None:
    assert judge(FILE_SYSTEM_READ_ONLY, file_system, text=text) == []


@pytest.mark.parametrize(
    ("text", "boot", "kind", "words"),
    [
        ("", None, Kind.UNVERIFIED, "cannot be seen from a sandbox"),
        ("", "another-boot", Kind.UNVERIFIED, "cannot be seen from a sandbox"),
        ("", BOOT, Kind.SIGN, "turned read-only: it could be written earlier in this boot"),
        (DECLARED + "read_only = false\n", None, Kind.SIGN, "is read-only, declared writable"),
        (DECLARED + "read_only = true\n", BOOT, None, ""),
    ],
)
def test_from_a_sandbox_only_what_was_seen_or_declared_counts(
    text: str, boot: str | None, kind: Kind | None, words: str
) -> None:
    past = Past(box=BoxRecord(writable={} if boot is None else {"/dev/md0 at /srv/archive": str(boot)}))
    file_system = mounted(read_only=True, declared_read_only=None)
    findings = judge(FILE_SYSTEM_READ_ONLY, file_system, text=text, past=past)
    assert [finding.kind for finding in findings] == ([kind] if kind else [])
    assert all(finding.summary.endswith(words) for finding in findings)


def test_unread_state_is_unverified() -> None:
    findings = judge(FILE_SYSTEM_READ_ONLY, mounted(read_only=Unread("/proc/mounts", "denied")))
    assert [finding.kind for finding in findings] == [Kind.UNVERIFIED]


def test_examples() -> None:
    check_examples(
        FILE_SYSTEM_READ_ONLY,
        None,
        example(box()),
        example(box(read_only=True, declared_read_only=True)),
        example(box(read_only=True), "critical /srv/archive | Read the kernel's"),
    )
