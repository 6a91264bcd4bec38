"""array-member-elsewhere: labels that point at the wrong drive."""

import pytest

from boxes.snapshot_box import RAID_5, Box, declare, declare_risers, kelp_box
from laneproof.box.placement import arrange
from laneproof.findings import Finding, Kind, Severity
from laneproof.rules.arrays.array_member_elsewhere import ARRAY_MEMBER_ELSEWHERE, declared_disks
from laneproof_collectors.unread import Unread
from support.rule_examples import check_examples, example
from support.rule_examples import judge as judge_box

ARRAY = RAID_5.replace(declare_risers(3), declare_risers(4))
DISKS = ("nvme0n1", "nvme1n1", "nvme2n1", "nvme3n1")


def judge(box: Box, text: str | None = ARRAY) -> list[Finding]:
    return judge_box(ARRAY_MEMBER_ELSEWHERE, text, box)


def test_member_in_another_declared_position_is_reported_there() -> None:
    (finding,) = judge(kelp_box().with_array("md0", (*DISKS[:2], DISKS[3])))
    assert (finding.kind, finding.severity, finding.position) == (Kind.DIFFERS, Severity.WARNING, "riser-4")
    assert finding.evidence["positions_without"] == ["riser-3"]
    assert "trust no label" in finding.next_steps[0]


def test_member_in_no_declared_position_is_reported_by_its_path() -> None:
    (finding,) = judge(kelp_box().with_array("md0", (*DISKS[:2], DISKS[3])), RAID_5)
    assert finding.position is None
    assert "nvme3n1 at 0000:00/01.4" in finding.summary
    assert finding.key == "md0 FN0004"


@pytest.mark.parametrize(
    ("text", "disks"),
    [
        (ARRAY, (DISKS[1], DISKS[0], DISKS[2])),  # which of its members is in which of its positions does not matter
        (ARRAY.replace("members =", 'spares = ["riser-4"], members ='), DISKS),
        (None, DISKS),
    ],
)
def test_members_in_declared_positions_are_at_home(text: str | None, disks: tuple[str, ...]) -> None:
    assert judge(kelp_box().with_array("md0", disks), text) == []


def test_disk_of_unknown_position_is_reported() -> None:
    (finding,) = judge(kelp_box().with_array("md0", (*DISKS[:3], "sdx")))
    assert "sdx, of no known position" in finding.summary


@pytest.mark.parametrize("group", ["arrays", "functions", "controllers"])
def test_what_cannot_be_read_is_reported_by_array_differs(group: str) -> None:
    box = kelp_box().with_array("md0", (*DISKS[:2], DISKS[3])).with_group(**{group: Unread(group, "denied")})
    assert judge(box) == []


def test_position_whose_disks_are_not_known_makes_no_stranger() -> None:
    box = kelp_box(2).with_port("0000:00/01.3").with_drive("0000:00/01.3", controller={"namespaces": ()})
    box.with_port("0000:00/01.4").with_drive("0000:00/01.4").with_array("md0", (*DISKS[:2], DISKS[3]))
    build = declare(ARRAY)
    assert isinstance(declared_disks(arrange(build, box.snapshot()), build.array[0]), Unread)
    assert judge(box) == []


def test_examples() -> None:
    check_examples(
        ARRAY_MEMBER_ELSEWHERE,
        ARRAY,
        example(kelp_box().with_array("md0", DISKS[:3])),
        example(kelp_box().with_array("md0", (*DISKS[:2], DISKS[3])), "warning nvme3n1 | Until this is"),
    )
