"""array-errors: mismatches, bad blocks, btrfs's error statistics."""

from typing import Any

import pytest

from boxes.snapshot_box import RAID_5, array_snapshot, declare_risers, kelp_box, make_member
from laneproof.findings import Finding, Kind, Severity
from laneproof.rules.arrays.array_errors import ARRAY_ERRORS
from laneproof_collectors.snapshot import ArrayMember
from laneproof_collectors.unread import Unread
from support.rule_examples import check_examples, example
from support.rule_examples import judge as judge_box

DISKS = ("nvme0n1", "nvme1n1")


def judge(**facts: Any) -> list[Finding]:
    return judge_box(ARRAY_ERRORS, declare_risers(2), kelp_box(2).with_array("md0", DISKS, **facts))


def member(bad: int | Unread | None) -> tuple[ArrayMember, ...]:
    return make_member("nvme0n1", bad_block_sectors=bad), make_member("nvme1n1", slot=1, bad_block_sectors=0)


def btrfs(device: str, **counts: int) -> dict[str, Any]:
    return {"kind": "btrfs", "level": "raid1", "error_statistics": {device: counts}}


@pytest.mark.parametrize(
    "facts",
    [
        {},
        {"mismatch_sectors": 0},
        {"members": member(0)},
        {"members": member(None)},
        btrfs("devid 1", read_errs=0, corruption_errs=0),
    ],
)
def test_array_without_errors_holds(facts: dict[str, Any]) -> None:
    assert judge(**facts) == []


# Source: md(4): mismatches of raid1 and raid10 need not be errors, of raid4, 5 and 6 they are; fs/btrfs/sysfs.c,
# error_stats
@pytest.mark.parametrize(
    ("facts", "severity", "words"),
    [
        ({"level": "raid5", "mismatch_sectors": 128}, Severity.WARNING, "found 128 sectors whose parity disagrees"),
        ({"level": "raid6", "mismatch_sectors": 1}, Severity.WARNING, "found 1 sector whose parity disagrees"),
        ({"level": "raid1", "mismatch_sectors": 8}, Severity.NOTICE, "found 8 sectors not the same in all copies"),
        ({"level": "raid10", "mismatch_sectors": 8}, Severity.NOTICE, "found 8 sectors not the same in all copies"),
        ({"members": member(16)}, Severity.WARNING, "array md0: it lists 16 sectors of riser-1 as bad"),
        (btrfs("devid 2", read_errs=7), Severity.WARNING, "array md0: devid 2 has 7 read errors"),
        (btrfs("nvme1n1", write_errs=1), Severity.WARNING, "array md0: riser-2 has 1 write error"),
        (btrfs("nvme1n1", write_errs=0, corruption_errs=1), Severity.CRITICAL, "riser-2 has 1 corruption error"),
        (btrfs("nvme1n1", generation_errs=4), Severity.CRITICAL, "riser-2 has 4 generation errors"),
    ],
)
def test_errors_weigh_by_what_they_mean_and_are_named_by_their_position(
    facts: dict[str, Any], severity: Severity, words: str
) -> None:
    (finding,) = judge(**facts)
    assert (finding.kind, finding.severity) == (Kind.SIGN, severity)
    assert finding.summary.endswith(words)


@pytest.mark.parametrize(
    "facts",
    [
        {"mismatch_sectors": Unread("mismatch_cnt", "denied")},
        {"members": member(Unread("bad_blocks", "denied"))},
        {"kind": "btrfs", "error_statistics": {"devid 1": Unread("error_stats", "denied")}},
    ],
)
def test_what_cannot_be_read_is_unverified(facts: dict[str, Any]) -> None:
    assert [finding.kind for finding in judge(**facts)] == [Kind.UNVERIFIED]


def test_what_is_known_is_reported_beside_what_is_not() -> None:
    (finding,) = judge(mismatch_sectors=8, members=member(Unread("bad_blocks", "denied")))
    assert finding.kind is Kind.SIGN
    assert finding.evidence["bad_block_sectors"]["nvme0n1"] == "could not read bad_blocks: denied"


def test_examples() -> None:
    check_examples(
        ARRAY_ERRORS,
        RAID_5,
        example(array_snapshot(mismatch_sectors=0)),
        example(array_snapshot(mismatch_sectors=128), "warning md0 | Make sure that a"),
        example(array_snapshot(**btrfs("nvme1n1", read_errs=0, corruption_errs=3)), "critical md0 | Make sure that a"),
    )
