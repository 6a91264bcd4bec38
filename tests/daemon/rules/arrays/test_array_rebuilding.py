"""What an array is busy with, and how long it takes yet."""

from dataclasses import replace
from typing import Any

import pytest

from boxes.snapshot_box import A_MORNING, RAID_5, array_snapshot, kelp_box, make_array
from laneproof.findings import Kind, Severity
from laneproof.past.past import Past
from laneproof.rules.arrays.array_rebuilding import ARRAY_REBUILDING, estimate_seconds_left
from laneproof_collectors.snapshot import Snapshot
from laneproof_collectors.unread import Unread
from support.rule_examples import check_examples, example, judge

DISKS = ("nvme0n1", "nvme1n1", "nvme2n1")


def box(*, at: float = A_MORNING, **facts: Any) -> Snapshot:
    return kelp_box(3).with_array("md0", DISKS, **facts).snapshot(taken_at=at)


@pytest.mark.parametrize("action", ["idle", "check", "repair", "frozen", None])
def test_array_that_is_not_rebuilding_holds(action: str | None) -> None:
    assert judge(ARRAY_REBUILDING, RAID_5, box(sync_action=action)) == []


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
    (finding,) = judge(ARRAY_REBUILDING, RAID_5, box(sync_action=action, sync_completed=0.25))
    assert f"array md0 {words}, 25% done" in finding.summary
    assert finding.observed == action
    assert (finding.kind, finding.severity) == (Kind.DIFFERS, Severity.NOTICE)


# RAID 5 of three: each member holds half of 8 TB; three quarters of 4 TB at 100 MB/s take 30,000 s.
@pytest.mark.parametrize(
    ("facts", "share_before", "seconds"),
    [
        ({"sync_completed": 0.25, "sync_bytes_per_second": 100e6}, None, 30_000),
        ({"sync_completed": 0.5, "level": "raid10"}, 0.4, 3000),  # no speed: by the ten minutes since the pass before
        ({"sync_completed": 0.5, "sync_bytes_per_second": 0.0}, 0.5, None),  # it stands still
        ({"sync_completed": None, "sync_bytes_per_second": 100e6}, None, None),
        ({"sync_completed": Unread("sync_completed", "x"), "sync_bytes_per_second": 100e6}, None, None),
    ],
)
def test_time_left_is_the_rest_at_the_pace_that_is_known(
    facts: dict[str, object], share_before: float | None, seconds: float | None
) -> None:
    before = box(at=A_MORNING - 600, **facts | {"sync_action": "recover", "sync_completed": share_before})
    array = make_array("md0", DISKS, sync_action="recover", **facts)
    assert estimate_seconds_left(array, Past(previous=before), now=A_MORNING) == pytest.approx(seconds)


@pytest.mark.parametrize(("speed", "time"), [(5e7, "17 h"), (1e8, "8.3 h"), (1e9, "50 min"), (1e12, "1 min")])
def test_time_left_is_said_in_hours_or_minutes(speed: float, time: str) -> None:
    (finding,) = judge(
        ARRAY_REBUILDING, RAID_5, box(sync_action="recover", sync_completed=0.25, sync_bytes_per_second=speed)
    )
    assert f"25% done, about {time} left at this pace; do not touch" in finding.summary


def test_what_the_array_is_busy_with_may_be_unread() -> None:
    unread = Unread("/sys/block/md0/md/sync_action", "permission denied")
    assert [finding.kind for finding in judge(ARRAY_REBUILDING, RAID_5, box(sync_action=unread))] == [Kind.UNVERIFIED]
    assert judge(ARRAY_REBUILDING, RAID_5, replace(box(), arrays=unread)) == []  # reported elsewhere


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
