"""What an array is busy with, and how long it takes yet."""

from dataclasses import replace

import pytest

from laneproof.findings import Finding, Kind, Severity
from laneproof.past.past import NOTHING, Past
from laneproof.rules.arrays.array_rebuilding import ARRAY_REBUILDING, estimate_seconds_left
from laneproof.rules.rule import Pass, Rule
from laneproof_collectors.snapshot import Snapshot
from laneproof_collectors.unread import Unread
from rule_examples import check_examples, example
from snapshot_box import A_MORNING, RAID_5, array_snapshot, declare, kelp_box, make_array

DISKS = ("nvme0n1", "nvme1n1", "nvme2n1")


def box(*, at: float = A_MORNING, **facts: object) -> Snapshot:
    return kelp_box(3).with_array("md0", DISKS, **facts).snapshot(taken_at=at)


def judge(rule: Rule, snapshot: Snapshot, past: Past = NOTHING, text: str = RAID_5) -> list[Finding]:
    return list(rule.judge(Pass.of(declare(text), snapshot, past)))


@pytest.mark.parametrize("action", ["idle", "check", "repair", "frozen", None])
def test_array_that_is_not_rebuilding_holds(action: str | None) -> None:
    assert judge(ARRAY_REBUILDING, box(sync_action=action)) == []


# Source: Documentation/admin-guide/md.rst, sync_action
@pytest.mark.parametrize(
    ("action", "words"),
    [
        ("recover", "is rebuilding a member"),
        ("resync", "is bringing its members into agreement"),
        ("reshape", "is changing its shape"),
    ],
)
def test_what_the_array_is_busy_with_is_said(action: str, words: str) -> None:
    (finding,) = judge(ARRAY_REBUILDING, box(sync_action=action, sync_completed=0.25))
    assert f"array md0 {words}, 25% done" in finding.summary
    assert finding.observed == action
    assert (finding.kind, finding.severity) == (Kind.DIFFERS, Severity.NOTICE)


def test_no_member_is_to_be_touched_meanwhile() -> None:
    (finding,) = judge(ARRAY_REBUILDING, box(sync_action="recover", sync_completed=0.25))
    assert finding.summary.endswith("do not touch riser-1, riser-2, riser-3")
    assert finding.evidence["do_not_touch"] == ["riser-1", "riser-2", "riser-3"]


def test_progress_is_no_change_of_the_finding() -> None:
    (finding,) = judge(ARRAY_REBUILDING, box(sync_action="recover", sync_completed=0.25))
    (other,) = judge(ARRAY_REBUILDING, box(sync_action="recover", sync_completed=0.75))
    assert finding.substance == other.substance


def test_time_left_comes_from_the_kernels_speed() -> None:
    """RAID 5 of three: each member holds half of 8 TB; three quarters of 4 TB at 100 MB/s take 30,000 s."""
    array = make_array("md0", DISKS, sync_action="recover", sync_completed=0.25, sync_bytes_per_second=100e6)
    assert estimate_seconds_left(array, NOTHING, now=A_MORNING) == pytest.approx(30_000)


def test_time_left_comes_from_the_pass_before_where_no_speed_is_reported() -> None:
    array = make_array("md0", DISKS, level="raid10", sync_action="recover", sync_completed=0.5)
    before = box(at=A_MORNING - 600, level="raid10", sync_action="recover", sync_completed=0.4)
    assert estimate_seconds_left(array, Past(previous=before), now=A_MORNING) == pytest.approx(3000)


@pytest.mark.parametrize("share", [None, Unread("sync_completed", "x")])
def test_time_left_is_not_guessed(share: object) -> None:
    array = make_array("md0", DISKS, sync_action="recover", sync_completed=share, sync_bytes_per_second=100e6)
    assert estimate_seconds_left(array, NOTHING, now=A_MORNING) is None


def test_rebuild_that_stands_still_has_no_time_left() -> None:
    array = make_array("md0", DISKS, sync_action="recover", sync_completed=0.5, sync_bytes_per_second=0.0)
    before = box(at=A_MORNING - 600, sync_action="recover", sync_completed=0.5)
    assert estimate_seconds_left(array, Past(previous=before), now=A_MORNING) is None


def test_what_the_array_is_busy_with_may_be_unread() -> None:
    (finding,) = judge(ARRAY_REBUILDING, box(sync_action=Unread("/sys/block/md0/md/sync_action", "permission denied")))
    assert finding.kind is Kind.UNVERIFIED


def test_arrays_that_could_not_be_read_are_reported_elsewhere() -> None:
    unread = replace(box(), arrays=Unread("/sys/block", "permission denied"))
    assert judge(ARRAY_REBUILDING, unread) == []


def test_examples() -> None:
    check_examples(
        ARRAY_REBUILDING,
        RAID_5,
        example(array_snapshot()),
        example(array_snapshot(sync_action="check", sync_completed=0.4)),
        example(
            array_snapshot(sync_action="recover", sync_completed=0.45, degraded=1, sync_bytes_per_second=180_000_000.0),
            "notice md0 | Leave every member",
        ),
    )
