"""Whether arrays are whole, and what must not be touched."""

from dataclasses import replace

import pytest

from boxes.snapshot_box import RAID_5, array_snapshot, kelp_box, make_array, make_member
from laneproof.findings import Kind, Severity
from laneproof.rules.arrays.array_degraded import ARRAY_DEGRADED
from laneproof_collectors.unread import Unread
from support.rule_examples import check_examples, example, judge

UNREAD = Unread("/sys/block/md0/md/level", "permission denied")

DISKS = ("nvme0n1", "nvme1n1", "nvme2n1")


def test_failed_array_is_reported_as_failed() -> None:
    members = (make_member(DISKS[0]), make_member(DISKS[1], "faulty"), make_member(DISKS[2], "faulty"))
    box = kelp_box().with_array("md0", DISKS, degraded=2, state="broken", members=members)
    (finding,) = judge(ARRAY_DEGRADED, RAID_5, box)
    assert finding.severity is Severity.CRITICAL
    assert finding.summary.startswith("raid5 array md0 has failed without 2 of 3 members (out of it: riser-2, riser-3)")
    assert finding.summary.endswith("do not touch riser-1")
    assert (finding.evidence["out_of_it"], finding.evidence["do_not_touch"]) == (["riser-2", "riser-3"], ["riser-1"])


@pytest.mark.parametrize(
    ("level", "lost", "left", "severity", "words"),
    [
        ("raid5", 1, 0, Severity.CRITICAL, "and survives no further loss;"),
        ("raid6", 1, 1, Severity.WARNING, "and survives 1 more;"),
        ("raid6", 2, 0, Severity.CRITICAL, "and survives no further loss;"),
        ("strange", 1, None, Severity.CRITICAL, "nvme2n1 at "),
    ],
)
def test_margin_left_is_said_and_makes_it_a_warning(
    level: str, lost: int, left: int | None, severity: Severity, words: str
) -> None:
    members = [make_member(disk, "faulty" if number > 2 - lost else "in_sync") for number, disk in enumerate(DISKS)]
    (finding,) = judge(ARRAY_DEGRADED, None, kelp_box().with_array("md0", DISKS, level=level, members=tuple(members)))
    assert (finding.severity, finding.evidence["further_losses_survived"]) == (severity, left)
    assert words in finding.summary
    assert ("survives" in finding.summary) == (level != "strange")


def test_member_in_no_declared_position_is_named_with_its_path() -> None:
    box = kelp_box().with_array("md0", DISKS[:2], degraded=1, members_wanted=3)
    (finding,) = judge(ARRAY_DEGRADED, None, box)
    assert finding.evidence["do_not_touch"] == ["nvme0n1 at 0000:00/01.1", "nvme1n1 at 0000:00/01.2"]


def test_rebuild_is_reported_with_its_progress() -> None:
    box = kelp_box().with_array("md0", DISKS, degraded=1, sync_action="recover", sync_completed=0.45)
    (finding,) = judge(ARRAY_DEGRADED, RAID_5, box)
    assert "rebuilding (45% done)" in finding.summary


def test_unread_state_of_an_array_is_unverified() -> None:
    box = kelp_box().with_group(arrays=(replace(make_array("md0", DISKS), degraded=UNREAD),))
    assert [finding.kind for finding in judge(ARRAY_DEGRADED, None, box)] == [Kind.UNVERIFIED]


def test_examples() -> None:
    check_examples(
        ARRAY_DEGRADED,
        RAID_5,
        example(array_snapshot()),
        example(array_snapshot(("nvme0n1", "nvme1n1"), degraded=1), "critical md0 | Make sure that a"),
    )
