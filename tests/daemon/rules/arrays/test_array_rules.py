"""array-differs and array-degraded."""

from dataclasses import replace

import pytest

from laneproof.findings import Finding, Kind, Severity
from laneproof.past.past import NOTHING
from laneproof.rules.arrays.array_member_elsewhere import ARRAY_MEMBER_ELSEWHERE
from laneproof.rules.arrays.array_rules import ARRAY_DEGRADED, ARRAY_DIFFERS, count_lost, count_spared
from laneproof.rules.rule import Rule
from laneproof_collectors.snapshot import Array, ArrayMember
from laneproof_collectors.unread import Unread
from simulated_box import Box, declare, kelp_box, make_array

UNREAD = Unread("/sys/block/md0/md/level", "permission denied")
DISKS = ("nvme0n1", "nvme1n1", "nvme2n1")


def build(level: str = "raid5", members: str = '["riser-1", "riser-2", "riser-3"]', more: str = "") -> str:
    text = f'[[array]]\nname = "md0"\nlevel = "{level}"\nmembers = {members}\n{more}\n'
    return text + "".join(
        f'[[position]]\nlabel = "riser-{number}"\npath = "0000:00/01.{number}"\n' for number in range(1, 5)
    )


def judge(rule: Rule, text: str | None, box: Box) -> list[Finding]:
    return list(rule.judge(None if text is None else declare(text), box.snapshot(), NOTHING))


def member(name: str, state: str | Unread = "in_sync") -> ArrayMember:
    return ArrayMember(name=name, disk=name, state=state, slot=0, errors=0)


# --- array-differs ----------------------------------------------------------------------------------------------------


def test_array_as_declared_holds() -> None:
    assert judge(ARRAY_DIFFERS, build(), kelp_box().with_array("md0", DISKS)) == []


@pytest.mark.parametrize("declared", ["raid5", "RAID5", "raid 5"])
def test_level_is_compared_as_people_write_it(declared: str) -> None:
    assert judge(ARRAY_DIFFERS, build(declared), kelp_box().with_array("md0", DISKS)) == []


def test_other_level_is_told_with_both_values() -> None:
    (finding,) = judge(ARRAY_DIFFERS, build("raid6"), kelp_box().with_array("md0", DISKS))
    assert (finding.declared, finding.observed) == ("raid6", "raid5")


def test_missing_array_is_critical() -> None:
    (finding,) = judge(ARRAY_DIFFERS, build(), kelp_box())
    assert (finding.kind, finding.severity) == (Kind.DIFFERS, Severity.CRITICAL)


def test_array_under_another_name_is_recognised_by_its_drives() -> None:
    (finding,) = judge(ARRAY_DIFFERS, build(), kelp_box().with_array("md127", DISKS))
    assert "its drives are in md127" in finding.summary
    assert finding.severity is Severity.WARNING


def test_member_from_another_position_is_told_by_the_rule_about_places() -> None:
    box = kelp_box().with_array("md0", (*DISKS[:2], "nvme3n1"))
    assert judge(ARRAY_DIFFERS, build(), box) == []
    assert [one.position for one in judge(ARRAY_MEMBER_ELSEWHERE, build(), box)] == ["riser-4"]


def test_more_members_missing_than_are_elsewhere_are_told() -> None:
    box = kelp_box().with_array("md0", (DISKS[0], "nvme3n1"))
    (finding,) = judge(ARRAY_DIFFERS, build(), box)
    assert "without riser-2, riser-3" in finding.summary


def test_declared_spare_is_no_stranger() -> None:
    text = build().replace('members = ["riser-1"', 'spares = ["riser-4"]\nmembers = ["riser-1"')
    assert judge(ARRAY_DIFFERS, text, kelp_box().with_array("md0", (*DISKS, "nvme3n1"))) == []


def test_member_of_an_empty_position_is_that_positions_matter() -> None:
    box = kelp_box().without("0000:00/01.3").with_array("md0", DISKS[:2], degraded=1, members_wanted=3)
    assert judge(ARRAY_DIFFERS, build(), box) == []


def test_member_that_the_array_runs_without_is_told_once() -> None:
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
    assert [one.kind for one in judge(ARRAY_DIFFERS, build(), box)] == [Kind.UNVERIFIED]


# --- array-degraded ---------------------------------------------------------------------------------------------------


# Source of states: Documentation/admin-guide/md.rst; OpenZFS pool states; fs/btrfs/sysfs.c
@pytest.mark.parametrize(
    ("array", "lost"),
    [
        (make_array("md0", DISKS), 0),
        (make_array("md0", DISKS[:2], degraded=1), 1),
        (make_array("md0", DISKS, members=(member("a"), member("b", "faulty"))), 1),
        (make_array("md0", DISKS, members=(member("a"), member("b", "write_error,in_sync"))), 0),
        (make_array("md0", DISKS, state="inactive"), 1),
        (make_array("md0", DISKS, level="raid0", degraded=None, sync_action=None), 0),
        (make_array("md0", DISKS, degraded=UNREAD), UNREAD),
        (make_array("md0", DISKS, members=(member("a", UNREAD),)), UNREAD),
        (make_array("tank", DISKS, kind="zfs", state="ONLINE", degraded=None), 0),
        (make_array("tank", DISKS, kind="zfs", state="DEGRADED", degraded=None), 1),
        (make_array("tank", DISKS, kind="zfs", state="SUSPENDED", degraded=None), 1),
        (make_array("tank", DISKS, kind="zfs", state=UNREAD, degraded=None), UNREAD),
        (make_array("sea", DISKS, kind="btrfs", degraded=None, members=(member("a", "missing"),)), 1),
    ],
)
def test_members_that_an_array_runs_without(array: Array, lost: int | Unread) -> None:
    assert count_lost(array) == lost


@pytest.mark.parametrize(
    ("level", "wanted", "spared"),
    [
        ("raid0", 2, 0),
        ("raid1", 2, 1),
        ("raid1", 3, 2),
        ("raid5", 4, 1),
        ("raid6", 6, 2),
        ("raid10", 4, 1),
        ("strange", 4, None),
    ],
)
def test_losses_that_a_level_survives_at_least(level: str, wanted: int, spared: int | None) -> None:
    assert count_spared(make_array("md0", DISKS, level=level, members_wanted=wanted)) == spared


def test_degraded_array_names_what_must_not_be_touched() -> None:
    members = (member(DISKS[0]), member(DISKS[1]), member(DISKS[2], "faulty"))
    box = kelp_box().with_array("md0", DISKS, degraded=1, members=members)
    (finding,) = judge(ARRAY_DEGRADED, build(), box)
    assert (finding.kind, finding.severity) == (Kind.DIFFERS, Severity.CRITICAL)
    assert finding.evidence["do_not_touch"] == ["riser-1", "riser-2"]
    assert finding.evidence["out_of_it"] == ["riser-3"]
    assert "do not touch riser-1, riser-2" in finding.summary
    assert "pull no other drive" in finding.next_steps[0]


@pytest.mark.parametrize(("lost", "severity"), [(1, Severity.WARNING), (2, Severity.CRITICAL)])
def test_margin_left_makes_it_a_warning(lost: int, severity: Severity) -> None:
    box = kelp_box().with_array("md0", DISKS, level="raid6", degraded=lost)
    (finding,) = judge(ARRAY_DEGRADED, None, box)
    assert finding.severity is severity
    assert finding.evidence["further_losses_survived"] == 2 - lost


def test_failed_array_is_told_as_failed() -> None:
    members = (member(DISKS[0]), member(DISKS[1], "faulty"), member(DISKS[2], "faulty"))
    box = kelp_box().with_array("md0", DISKS, degraded=2, state="broken", members=members)
    (finding,) = judge(ARRAY_DEGRADED, build(), box)
    assert finding.severity is Severity.CRITICAL
    assert finding.summary.startswith("raid5 array md0 has failed without 2 of 3 members (out of it: riser-2, riser-3)")
    assert finding.summary.endswith("do not touch riser-1")


@pytest.mark.parametrize(
    ("level", "words"),
    [("raid5", "and survives no further loss;"), ("raid6", "and survives 1 more;"), ("strange", "nvme2n1 at ")],
)
def test_what_another_loss_would_mean_is_said(level: str, words: str) -> None:
    members = (member(DISKS[0]), member(DISKS[1]), member(DISKS[2], "faulty"))
    (finding,) = judge(ARRAY_DEGRADED, None, kelp_box().with_array("md0", DISKS, level=level, members=members))
    assert words in finding.summary
    assert ("survives" in finding.summary) == (level != "strange")


def test_member_in_no_declared_position_is_named_with_its_path() -> None:
    box = kelp_box().with_array("md0", DISKS[:2], degraded=1, members_wanted=3)
    (finding,) = judge(ARRAY_DEGRADED, None, box)
    assert finding.evidence["do_not_touch"] == ["nvme0n1 at 0000:00/01.1", "nvme1n1 at 0000:00/01.2"]


def test_rebuild_is_told_with_its_progress() -> None:
    box = kelp_box().with_array("md0", DISKS, degraded=1, sync_action="recover", sync_completed=0.45)
    (finding,) = judge(ARRAY_DEGRADED, build(), box)
    assert "rebuilding (45% done)" in finding.summary


def test_array_is_judged_without_any_declaration() -> None:
    assert [one.subject for one in judge(ARRAY_DEGRADED, None, kelp_box().with_array("md5", DISKS, degraded=1))] == [
        "md5"
    ]


def test_unread_state_of_an_array_is_unverified() -> None:
    box = kelp_box().with_group(arrays=(replace(make_array("md0", DISKS), degraded=UNREAD),))
    assert [one.kind for one in judge(ARRAY_DEGRADED, None, box)] == [Kind.UNVERIFIED]
