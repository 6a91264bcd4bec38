"""Arrays against the build."""

import pytest

from boxes.snapshot_box import RAID_5, Box, array_snapshot, declare_risers, kelp_box
from laneproof.findings import Kind, Severity
from laneproof.rules.arrays.array_degraded import ARRAY_DEGRADED
from laneproof.rules.arrays.array_differs import ARRAY_DIFFERS
from laneproof.rules.arrays.array_member_elsewhere import ARRAY_MEMBER_ELSEWHERE
from laneproof_collectors.unread import Unread
from support.rule_examples import check_examples, example, judge

UNREAD = Unread("/sys/block/md0/md/level", "permission denied")

DISKS = ("nvme0n1", "nvme1n1", "nvme2n1")


def build(level: str = "raid5") -> str:
    array = f'[[array]]\nname = "md0"\nlevel = "{level}"\nmembers = ["riser-1", "riser-2", "riser-3"]\n'
    return declare_risers(4) + array


SPARE = build().replace('members = ["riser-1"', 'spares = ["riser-4"]\nmembers = ["riser-1"')


@pytest.mark.parametrize(
    ("text", "box"),
    [
        *((build(level), kelp_box().with_array("md0", DISKS)) for level in ("raid5", "RAID5", "raid 5")),
        (SPARE, kelp_box().with_array("md0", (*DISKS, "nvme3n1"))),
        # reported by position-empty
        (build(), kelp_box().without("0000:00/01.3").with_array("md0", DISKS[:2], degraded=1, members_wanted=3)),
    ],
)
def test_array_that_is_as_declared_or_another_rules_matter_holds(text: str, box: Box) -> None:
    assert judge(ARRAY_DIFFERS, text, box) == []


def test_missing_array_is_critical() -> None:
    (finding,) = judge(ARRAY_DIFFERS, build(), kelp_box())
    assert (finding.kind, finding.severity) == (Kind.DIFFERS, Severity.CRITICAL)


def test_array_under_another_name_is_recognised_by_its_drives() -> None:
    (finding,) = judge(ARRAY_DIFFERS, build(), kelp_box().with_array("md127", DISKS))
    assert "its drives are in md127" in finding.summary
    assert finding.severity is Severity.WARNING


def test_member_from_another_position_is_reported_by_the_rule_about_positions() -> None:
    box = kelp_box().with_array("md0", (*DISKS[:2], "nvme3n1"))
    assert judge(ARRAY_DIFFERS, build(), box) == []
    assert [finding.position for finding in judge(ARRAY_MEMBER_ELSEWHERE, build(), box)] == ["riser-4"]


def test_more_members_missing_than_are_elsewhere_are_reported() -> None:
    box = kelp_box().with_array("md0", (DISKS[0], "nvme3n1"))
    (finding,) = judge(ARRAY_DIFFERS, build(), box)
    assert "without riser-2, riser-3" in finding.summary


def test_member_that_the_array_runs_without_is_reported_once() -> None:
    box = kelp_box().with_array("md0", DISKS[:2], degraded=1, members_wanted=3)
    assert judge(ARRAY_DIFFERS, build(), box) == []
    (finding,) = judge(ARRAY_DEGRADED, build(), box)
    assert "out of it: riser-3" in finding.summary


@pytest.mark.parametrize(
    "box",
    [
        pytest.param(kelp_box().with_array("md0", DISKS, level=UNREAD), id="level"),
        pytest.param(kelp_box().with_group(arrays=UNREAD), id="arrays"),
        pytest.param(kelp_box().with_array("md0", DISKS).with_group(controllers=UNREAD), id="disks"),
        pytest.param(kelp_box().with_array("md0", DISKS).with_group(functions=UNREAD), id="positions"),
    ],
)
def test_what_cannot_be_read_is_unverified(box: Box) -> None:
    assert [finding.kind for finding in judge(ARRAY_DIFFERS, build(), box)] == [Kind.UNVERIFIED]


def test_examples() -> None:
    check_examples(
        ARRAY_DIFFERS,
        RAID_5,
        example(array_snapshot()),
        example(array_snapshot(level="raid0"), "warning md0 | See what the kernel"),
        example(array_snapshot(("nvme0n1", "nvme1n1")), "warning md0 | See what the kernel"),
    )
