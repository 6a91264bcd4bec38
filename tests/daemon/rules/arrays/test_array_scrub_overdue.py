"""When all of an array was last read."""

from dataclasses import replace
from typing import Any

import pytest

from boxes.simulated_past import DAY
from boxes.snapshot_box import A_MORNING, RAID_5, array_snapshot, declare, kelp_box
from laneproof.engine import Engine
from laneproof.findings import Kind
from laneproof.past.box_record import ArrayChecks, BoxRecord
from laneproof.past.past import NO_PAST, Past
from laneproof.rules.arrays.array_scrub_overdue import ARRAY_SCRUB_OVERDUE
from laneproof_collectors.snapshot import Snapshot
from laneproof_collectors.unread import Unread
from support.rule_examples import check_examples, example, judge

DISKS = ("nvme0n1", "nvme1n1", "nvme2n1")

EVERY_35 = RAID_5.replace('level = "raid5"', "scrub_every_days = 35")


def box(*, at: float = A_MORNING, **facts: Any) -> Snapshot:
    return kelp_box(3).with_array("md0", DISKS, **facts).snapshot(taken_at=at)


def checked(days_ago: float | None, *, watched_days: float = 90) -> Past:
    ended_at = None if days_ago is None else A_MORNING - days_ago * DAY
    return Past(box=BoxRecord(checks={"md0": ArrayChecks(since=A_MORNING - watched_days * DAY, ended_at=ended_at)}))


@pytest.mark.parametrize(
    ("past", "kind"),
    [
        (checked(1), None),
        (checked(35), None),
        (checked(36), Kind.DIFFERS),
        (checked(None, watched_days=36), Kind.DIFFERS),
        (checked(None, watched_days=34), Kind.UNVERIFIED),
        (NO_PAST, Kind.UNVERIFIED),
    ],
)
def test_overdue_is_kept_apart_from_not_known(past: Past, kind: Kind | None) -> None:
    assert [finding.kind for finding in judge(ARRAY_SCRUB_OVERDUE, EVERY_35, box(), past)] == ([kind] if kind else [])


@pytest.mark.parametrize(
    ("snapshot", "text"),
    [
        pytest.param(box(sync_action="check", sync_completed=0.1), EVERY_35, id="a check runs"),
        pytest.param(box(level="raid0"), EVERY_35, id="nothing to check"),
        pytest.param(box(), RAID_5, id="no scrub is declared"),
        pytest.param(replace(box(), arrays=Unread("/sys/block", "denied")), EVERY_35, id="unread"),
        pytest.param(kelp_box(3).snapshot(), EVERY_35, id="missing"),
    ],
)
def test_what_is_no_complaint_of_this_rule(snapshot: Snapshot, text: str) -> None:
    assert judge(ARRAY_SCRUB_OVERDUE, text, snapshot, checked(400)) == []


@pytest.mark.parametrize("kind", ["btrfs", "zfs"])
def test_scrub_of_other_file_systems_is_not_seen_and_said_so(kind: str) -> None:
    (finding,) = judge(ARRAY_SCRUB_OVERDUE, EVERY_35, box(kind=kind, sync_action=None), checked(None, watched_days=400))
    assert finding.kind is Kind.UNVERIFIED
    assert f"no time of it for {kind}" in finding.summary


def test_daemon_that_sees_a_check_end_knows_of_it() -> None:
    """From the facts of passes alone: unverified before, holds after, overdue 36 days later."""
    engine = Engine(declare(EVERY_35))

    def kinds(at: float, **facts: Any) -> list[Kind]:
        outcome = engine.observe(box(at=A_MORNING + at, **facts))
        return [finding.kind for finding in outcome.findings if finding.rule == "array-scrub-overdue"]

    assert kinds(0) == [Kind.UNVERIFIED]
    for minute in range(60):
        assert kinds(60.0 + 60 * minute, sync_action="check", sync_completed=minute / 60) == []
    assert kinds(3720) == []
    assert kinds(3720 + 34 * DAY) == []
    assert kinds(3720 + 36 * DAY) == [Kind.DIFFERS]


def test_examples() -> None:
    check_examples(
        ARRAY_SCRUB_OVERDUE,
        EVERY_35,
        example(array_snapshot(), past=checked(20)),
        example(array_snapshot(), "warning md0 | Start a check when", past=checked(50)),
        example(array_snapshot(), "warning md0 | Start a check when", past=checked(None)),
        example(array_snapshot(), "notice the last check of array md0 | Let the daemon run:"),
    )
