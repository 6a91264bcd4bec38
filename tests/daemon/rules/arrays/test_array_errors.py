"""array-errors: mismatches, bad blocks, btrfs's error statistics."""

from typing import Any

import pytest

from boxes.snapshot_box import RAID_5, array_snapshot, declare, kelp_box, make_array
from laneproof.findings import Finding, Kind, Severity
from laneproof.rules.arrays.array_errors import ARRAY_ERRORS
from laneproof.rules.rule import Pass
from laneproof_collectors.snapshot import ArrayMember
from laneproof_collectors.unread import Unread
from support.rule_examples import check_examples, example

POSITIONS = "".join(f'[[position]]\nlabel = "riser-{n}"\npath = "0000:00/01.{n}"\n' for n in range(1, 3))
DISKS = ("nvme0n1", "nvme1n1")


def judge(**facts: Any) -> list[Finding]:
    snapshot = kelp_box(2).with_group(arrays=(make_array("md0", DISKS, **facts),)).snapshot()
    return list(ARRAY_ERRORS.judge(Pass.of(declare(POSITIONS), snapshot)))


def member(bad: int | Unread | None) -> tuple[ArrayMember, ...]:
    member = ArrayMember(name="nvme0n1", disk="nvme0n1", state="in_sync", slot=0, errors=0, bad_block_sectors=bad)
    other = ArrayMember(name="nvme1n1", disk="nvme1n1", state="in_sync", slot=1, errors=0, bad_block_sectors=0)
    return member, other


@pytest.mark.parametrize(
    "facts",
    [
        {},
        {"mismatch_sectors": 0},
        {"members": member(0)},
        {"members": member(None)},
        {"kind": "btrfs", "error_statistics": {"devid 1": {"read_errs": 0, "corruption_errs": 0}}},
    ],
)
def test_array_without_errors_holds(facts: dict[str, Any]) -> None:
    assert judge(**facts) == []


# Source: md(4): mismatches of raid1 and raid10 need not be errors, of raid4, 5 and 6 they are
@pytest.mark.parametrize(
    ("level", "severity"),
    [("raid5", Severity.WARNING), ("raid6", Severity.WARNING), ("raid1", Severity.NOTICE), ("raid10", Severity.NOTICE)],
)
def test_mismatches_weigh_more_with_parity(level: str, severity: Severity) -> None:
    (finding,) = judge(level=level, mismatch_sectors=128)
    assert (finding.kind, finding.severity) == (Kind.SIGN, severity)
    assert "128 sectors" in finding.summary


@pytest.mark.parametrize(
    ("facts", "words"),
    [
        ({"members": member(16)}, "it lists 16 sectors of riser-1 as bad"),
        ({"members": member(1)}, "it lists 1 sector of riser-1 as bad"),
        ({"kind": "btrfs", "error_statistics": {"devid 2": {"read_errs": 7}}}, "devid 2 has 7 read errors"),
        ({"kind": "btrfs", "error_statistics": {"nvme1n1": {"read_errs": 1}}}, "riser-2 has 1 read error"),
    ],
)
def test_members_are_named_by_their_position_else_by_what_is_known_of_them(facts: dict[str, Any], words: str) -> None:
    (finding,) = judge(**facts)
    assert (finding.summary, finding.severity) == (f"array md0: {words}", Severity.WARNING)


# Source: fs/btrfs/sysfs.c, error_stats
@pytest.mark.parametrize(
    ("counts", "severity"),
    [
        ({"write_errs": 2, "corruption_errs": 0}, Severity.WARNING),
        ({"write_errs": 0, "corruption_errs": 1}, Severity.CRITICAL),
        ({"generation_errs": 4}, Severity.CRITICAL),
    ],
)
def test_error_statistics_of_btrfs(counts: dict[str, int], severity: Severity) -> None:
    (finding,) = judge(kind="btrfs", level="raid1", error_statistics={"nvme1n1": counts})
    assert finding.severity is severity
    assert "riser-2 has" in finding.summary


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
        example(
            array_snapshot(
                kind="btrfs", level="raid1", error_statistics={"nvme1n1": {"read_errs": 0, "corruption_errs": 3}}
            ),
            "critical md0 | Make sure that a",
        ),
    )
