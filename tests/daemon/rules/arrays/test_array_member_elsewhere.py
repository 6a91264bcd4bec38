"""array-member-elsewhere: labels that point at the wrong drive."""

from dataclasses import replace

import pytest

from boxes.snapshot_box import Box, declare, kelp_box
from laneproof.box.placement import arrange
from laneproof.findings import Finding, Kind, Severity
from laneproof.rules.arrays.array_member_elsewhere import ARRAY_MEMBER_ELSEWHERE, declared_disks
from laneproof.rules.rule import Pass
from laneproof_collectors.unread import Unread
from support.rule_examples import check_examples, example

POSITIONS = "".join(f'[[position]]\nlabel = "riser-{n}"\npath = "0000:00/01.{n}"\n' for n in range(1, 5))
ARRAY = '[[array]]\nname = "md0"\nlevel = "raid5"\nmembers = ["riser-1", "riser-2", "riser-3"]\n'
DISKS = ("nvme0n1", "nvme1n1", "nvme2n1", "nvme3n1")


def judge(box: Box, text: str = ARRAY + POSITIONS) -> list[Finding]:
    return list(ARRAY_MEMBER_ELSEWHERE.judge(Pass.of(declare(text), box.snapshot())))


def test_member_in_another_declared_position_is_reported_there() -> None:
    (finding,) = judge(kelp_box().with_array("md0", (*DISKS[:2], DISKS[3])))
    assert (finding.kind, finding.severity, finding.position) == (Kind.DIFFERS, Severity.WARNING, "riser-4")
    assert finding.evidence["positions_without"] == ["riser-3"]
    assert "trust no label" in finding.next_steps[0]


def test_member_in_no_declared_position_is_reported_by_its_path() -> None:
    text = ARRAY + POSITIONS.partition('[[position]]\nlabel = "riser-4"')[0]
    (finding,) = judge(kelp_box().with_array("md0", (*DISKS[:2], DISKS[3])), text)
    assert finding.position is None
    assert "nvme3n1 at 0000:00/01.4" in finding.summary
    assert finding.key == "md0 FN0004"


def test_two_members_swapped_within_the_array_are_where_they_are_declared() -> None:
    """The array does not mind which of its members sits in which of its positions."""
    assert judge(kelp_box().with_array("md0", (DISKS[1], DISKS[0], DISKS[2]))) == []


def test_declared_spare_is_at_home() -> None:
    text = ARRAY.replace("members", 'spares = ["riser-4"]\nmembers', 1) + POSITIONS
    assert judge(kelp_box().with_array("md0", DISKS), text) == []


def test_disk_of_unknown_position_is_reported() -> None:
    (finding,) = judge(kelp_box().with_array("md0", (*DISKS[:3], "sdx")))
    assert "sdx, of no known position" in finding.summary


@pytest.mark.parametrize("group", ["arrays", "functions", "controllers"])
def test_what_cannot_be_read_is_reported_by_array_differs(group: str) -> None:
    box = kelp_box().with_array("md0", (*DISKS[:2], DISKS[3])).with_group(**{group: Unread(group, "denied")})
    assert judge(box) == []


def test_position_whose_disks_are_not_known_makes_no_stranger() -> None:
    box = kelp_box().with_array("md0", (*DISKS[:2], DISKS[3]))
    snapshot = box.snapshot()
    assert isinstance(snapshot.controllers, tuple)
    bare = tuple(
        replace(controller, namespaces=()) if controller.name == "nvme2" else controller
        for controller in snapshot.controllers
    )
    build = declare(ARRAY + POSITIONS)
    without = replace(snapshot, controllers=bare)
    assert isinstance(declared_disks(arrange(build, without), build.array[0]), Unread)
    assert list(ARRAY_MEMBER_ELSEWHERE.judge(Pass.of(build, without))) == []


def test_without_a_declaration_nothing_is_elsewhere() -> None:
    assert list(ARRAY_MEMBER_ELSEWHERE.judge(Pass.of(None, kelp_box().with_array("md0", DISKS).snapshot()))) == []


def test_examples() -> None:
    check_examples(
        ARRAY_MEMBER_ELSEWHERE,
        ARRAY + POSITIONS,
        example(kelp_box().with_array("md0", DISKS[:3])),
        example(kelp_box().with_array("md0", (*DISKS[:2], DISKS[3])), "warning nvme3n1 | Until this is"),
    )
