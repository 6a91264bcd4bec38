"""Whether a drive may be taken out now. A second failure in a degraded array is the disaster, so that never passes."""

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from boxes.array_box import DAY, PATHS, array_box, guide_for, make_members, make_mount
from boxes.snapshot_box import A_MORNING, Box, declare, make_array
from laneproof.box.names import find_drives
from laneproof.diagnosis.weights import CAUSE_WORDS
from laneproof.findings import Cause, Finding, Kind, Severity
from laneproof.past.box_record import ArrayChecks, BoxRecord
from laneproof.past.past import NO_PAST, Past
from laneproof.replacement import Guide, Safety, Weight, make_guide
from laneproof.rules import judge_all
from laneproof.rules.rule import Pass
from laneproof_collectors.snapshot import ArrayMember
from laneproof_collectors.unread import Reason, Unread

GAP = Unread("it", "permission denied", Reason.DENIED)


def said(guide: Guide, weight: Weight) -> str:
    return "\n".join(f"{reason.says} {reason.do}" for reason in guide.reasons if reason.weight is weight)


def kept(guide: Guide) -> list[str]:
    return [keep.name for keep in guide.keep]


def sign(
    position: str, severity: Severity = Severity.WARNING, kind: Kind = Kind.SIGN, cause: str | None = None
) -> Finding:
    causes = (Cause(cause=cause, probability=0.9),) if cause else ()
    return Finding(
        rule="media-errors-rising", kind=kind, severity=severity, position=position, subject="x", summary="it errs",
        causes=causes,
    )  # fmt: skip


def test_drive_in_a_branch_that_vanished_is_not_to_be_replaced() -> None:
    """A slot that the firmware no longer splits hides every drive but the first; none of them is at fault."""
    build = declare(
        'slot.riser = { path = "0000:00", lanes = 16, split = [4, 4] }\n'
        + "".join(
            f'[[position]]\nlabel = "riser-{branch}"\nslot = "riser"\nbranch = {branch}\npath = "{path}"\n'
            'occupant = { kind = "nvme" }\n'
            for branch, path in ((1, PATHS[0]), (2, PATHS[1]))
        )
    )
    snapshot = Box().with_port(PATHS[0]).with_drive(PATHS[0], serial="FN0001").snapshot()
    findings = judge_all(Pass.of(build, snapshot))
    (lost,) = find_drives("riser-2", build, snapshot)
    guide = make_guide(lost, build, snapshot, findings)
    assert guide.safety is Safety.NOT_SAFE
    assert "another drive would not be seen either" in said(guide, Weight.STOPS)
    assert "Set the slot's bifurcation" in said(guide, Weight.STOPS)
    (first,) = find_drives("riser-1", build, snapshot)
    assert "bifurcation" not in said(make_guide(first, build, snapshot, findings), Weight.STOPS)


# --- a whole array ----------------------------------------------------------------------------------------------------


def test_member_of_a_whole_checked_array_may_go_and_the_others_stay() -> None:
    guide = guide_for("riser-4", array_box())
    assert guide.safety is Safety.SAFE
    assert kept(guide) == ["riser-1", "riser-2", "riser-3"]
    assert {keep.why for keep in guide.keep} == {"a second loss takes all data of md0"}
    assert "survives no further loss until the new drive is rebuilt" in said(guide, Weight.MIND)


def test_array_that_was_never_seen_checked_is_a_doubt() -> None:
    guide = guide_for("riser-4", array_box(), past=NO_PAST)
    assert guide.safety is Safety.UNVERIFIED
    assert "When all of md0 was last read and compared is not known." in said(guide, Weight.DOUBTS)


@pytest.mark.parametrize(("days", "safety"), [(34, Safety.SAFE), (36, Safety.UNVERIFIED)])
def test_check_of_long_ago_is_a_doubt(days: int, safety: Safety) -> None:
    """Debian's mdadm package checks arrays on the first Sunday of each month: at most 35 days apart."""
    past = Past(box=BoxRecord(checks={"md0": ArrayChecks(since=0.0, ended_at=A_MORNING - days * DAY)}))
    assert guide_for("riser-4", array_box(), past=past).safety is safety


def test_time_of_the_check_may_come_from_the_array_itself() -> None:
    box = array_box(last_check_unix_seconds=A_MORNING - DAY)
    assert guide_for("riser-4", box, past=NO_PAST).safety is Safety.SAFE


# --- a degraded array -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["riser-1", "riser-2", "riser-3"])
def test_second_drive_of_a_degraded_array_must_not_be_touched(name: str) -> None:
    guide = guide_for(name, array_box("in_sync", "in_sync", "in_sync", "faulty"))
    assert guide.safety is Safety.NOT_SAFE
    found = said(guide, Weight.STOPS)
    assert f"taking {name} out takes all its data. This position must not be touched." in found
    assert found.endswith("Replace riser-4 first, and let md0 rebuild.")
    assert kept(guide) == ["riser-1", "riser-2", "riser-3"]


def test_member_that_was_taken_out_by_hand_is_found_by_the_declaration() -> None:
    box = array_box("in_sync", "in_sync", "in_sync", degraded=1)
    assert "Replace riser-4 first" in said(guide_for("riser-1", box), Weight.STOPS)
    guide = guide_for("riser-4", box)
    assert guide.safety is not Safety.NOT_SAFE
    assert "md0 runs without 1 of its members; its other drives must stay where they are." in said(guide, Weight.MIND)
    assert kept(guide) == ["riser-1", "riser-2", "riser-3"]


# --- one array or another, by what it does and what is on the drive --------------------------------------------------


def at_work(action: str) -> Box:
    return array_box("in_sync", "in_sync", "in_sync", "spare", sync_action=action, sync_completed=0.25, degraded=1)


FAULTY = ("in_sync", "in_sync", "in_sync", "faulty")
JOURNAL = ArrayMember(name="nvme3n1p2", disk="nvme3n1", state="journal", slot=None, errors=0)
POOL = make_array("tank", (), kind="zfs", level=GAP, state="ONLINE", members=(), members_wanted=None, degraded=None)
SYSTEM = "system"


@pytest.mark.parametrize(
    ("name", "box", "safety", "weight", "words"),
    [
        ("riser-4", array_box(mismatch_sectors=24), Safety.UNVERIFIED, Weight.DOUBTS, "24 sectors whose parity"),
        ("riser-4", array_box(sync_action="check"), Safety.UNVERIFIED, Weight.DOUBTS, "A check of md0 is running."),
        ("riser-4", array_box(degraded=GAP), Safety.UNVERIFIED, Weight.DOUBTS, "Whether md0 is whole is not known"),
        (
            "riser-1", array_box().with_group(arrays=(POOL,)), Safety.UNVERIFIED, Weight.DOUBTS,
            "Which drives the pool tank is made of is not shown by the kernel.",
        ),
        *(
            ("riser-2", at_work(action), Safety.NOT_SAFE, Weight.STOPS, words)
            for action in ("recover", "resync", "reshape")
            for words in ("25% done", "Wait until it has finished.")
        ),
        (
            "riser-4", array_box("in_sync", "in_sync", "faulty", "faulty", state="broken"), Safety.NOT_SAFE,
            Weight.STOPS, "Take nothing out and force nothing",
        ),
        ("riser-4", array_box(*FAULTY), Safety.SAFE, Weight.SPEAKS_FOR, "md0 has put it out already (faulty)."),
        (
            "riser-4", array_box("in_sync", "in_sync", "in_sync", "spare", members_wanted=3), Safety.SAFE,
            Weight.SPEAKS_FOR, "It stands by for md0 and holds none of its data.",
        ),
        (
            "riser-4", array_box(members=(*make_members("in_sync", "in_sync", "in_sync"), JOURNAL), members_wanted=3),
            Safety.NOT_SAFE, Weight.STOPS, "It is the journal of md0.",
        ),
        (SYSTEM, array_box(), Safety.NOT_SAFE, Weight.STOPS, "The system itself runs from it."),
        (
            SYSTEM, array_box().with_group(file_systems=(make_mount("/srv", "/dev/nvme4n1p1"),)), Safety.NOT_SAFE,
            Weight.STOPS, "lies on /dev/nvme4n1p1 alone",
        ),
        (
            SYSTEM, array_box().with_group(file_systems=(make_mount("/srv", "/dev/nvme4n1p1"),)), Safety.NOT_SAFE,
            Weight.STOPS, "unmount /srv",
        ),
        (
            SYSTEM, array_box().with_group(file_systems=()), Safety.UNVERIFIED, Weight.DOUBTS,
            "swap space, a volume manager or a pool could still use it",
        ),
    ],
)  # fmt: skip
def test_what_speaks_against_it_is_said(name: str, box: Box, safety: Safety, weight: Weight, words: str) -> None:
    guide = guide_for(name, box)
    assert guide.safety is safety
    assert words in said(guide, weight)
    assert ("The system itself" in said(guide, Weight.STOPS)) is (words == "The system itself runs from it.")


@pytest.mark.parametrize(
    ("name", "box"),
    [
        ("riser-4", array_box(*FAULTY)),
        ("riser-4", array_box("in_sync", "in_sync", "in_sync", degraded=1).without(PATHS[3])),  # an empty position
        (SYSTEM, array_box(*FAULTY).with_group(file_systems=())),
    ],
)
def test_the_other_drives_of_a_degraded_array_stay_whichever_goes(name: str, box: Box) -> None:
    guide = guide_for(name, box)
    assert guide.safety is (Safety.UNVERIFIED if name == SYSTEM else Safety.SAFE)
    assert kept(guide) == ["riser-1", "riser-2", "riser-3"]


# --- other levels, other roles ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("level", "states", "safety", "why"),
    [
        ("raid0", ("in_sync",) * 4, Safety.NOT_SAFE, "its loss takes all data of md0"),
        ("raid1", ("in_sync",) * 4, Safety.SAFE, "md0 needs it"),
        ("raid6", ("in_sync",) * 4, Safety.SAFE, "md0 needs it"),
        ("raid6", ("in_sync", "in_sync", "in_sync", "faulty"), Safety.SAFE, "a second loss takes all data of md0"),
        ("raid6", ("in_sync", "in_sync", "faulty", "faulty"), Safety.NOT_SAFE, "a second loss takes all data of md0"),
        ("raid10", ("in_sync",) * 4, Safety.SAFE, "a second loss takes all data of md0"),
        ("raid10", ("in_sync", "in_sync", "in_sync", "faulty"), Safety.NOT_SAFE, "a second loss takes all data of md0"),
        ("raid99", ("in_sync",) * 4, Safety.UNVERIFIED, "md0 needs it"),
    ],
)
def test_what_a_level_survives_decides(level: str, states: tuple[str, ...], safety: Safety, why: str) -> None:
    """Losses survived by level: md(4); of raid10 the least, one."""
    guide = guide_for("riser-1", array_box(*states, level=level))
    assert guide.safety is safety
    assert why in {keep.why for keep in guide.keep}


@pytest.mark.parametrize(
    ("level", "safety"),
    [
        ("raid1", Safety.UNVERIFIED),
        ("single", Safety.NOT_SAFE),
        ("raid1+single", Safety.NOT_SAFE),
        ("new", Safety.UNVERIFIED),
    ],
)
def test_btrfs_keeps_two_copies_however_many_devices_there_are(level: str, safety: Safety) -> None:
    members = make_members("present", "present", "present", part="")
    btrfs = make_array("archive", (), kind="btrfs", level=level, members=members, members_wanted=3, sync_action=None)
    guide = guide_for("riser-1", array_box().with_group(arrays=(btrfs,)))
    assert guide.safety is safety
    if level == "raid1":
        assert "survives no further loss" in said(guide, Weight.MIND)


# --- file systems, and drives that nothing is seen on -----------------------------------------------------------------


@pytest.mark.parametrize("group", ["arrays", "file_systems"])
def test_group_that_could_not_be_read_is_never_safe(group: str) -> None:
    for name in ("riser-4", "system", "riser-1"):
        assert guide_for(name, array_box().with_group(**{group: GAP})).safety is not Safety.SAFE


# --- signs ------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("finding", "level", "safety"),
    [
        (sign("riser-2"), "raid5", Safety.UNVERIFIED),
        (sign("riser-2", Severity.CRITICAL), "raid5", Safety.NOT_SAFE),
        (sign("riser-2", Severity.CRITICAL), "raid6", Safety.UNVERIFIED),  # it could be lost
        (sign("riser-2", Severity.NOTICE, Kind.UNVERIFIED), "raid5", Safety.UNVERIFIED),
        (replace(sign("x"), position=None, key="FN0002"), "raid5", Safety.UNVERIFIED),
        (replace(sign("x"), position=None, key=PATHS[1]), "raid5", Safety.UNVERIFIED),
        (sign("riser-2", Severity.NOTICE), "raid5", Safety.SAFE),
        (sign("system", Severity.CRITICAL), "raid5", Safety.SAFE),  # no member
        (replace(sign("riser-2", Severity.CRITICAL), accepted="spare is on order"), "raid5", Safety.SAFE),
    ],
)
def test_a_drive_that_must_carry_the_array_must_show_no_sign_itself(
    finding: Finding, level: str, safety: Safety
) -> None:
    guide = guide_for("riser-4", array_box(level=level), findings=(finding,))
    assert guide.safety is safety
    against = said(guide, Weight.STOPS) + said(guide, Weight.DOUBTS)
    assert ("riser-2 must carry md0 meanwhile" in against) is (safety is not Safety.SAFE)


def test_where_a_member_is_out_already_a_sign_of_another_asks_for_a_copy_first() -> None:
    box = array_box("in_sync", "in_sync", "in_sync", "faulty")
    guide = guide_for("riser-4", box, findings=(sign("riser-2", Severity.CRITICAL),))
    assert guide.safety is Safety.UNVERIFIED
    assert "Copy what is on md0 before its rebuild reads all of it." in said(guide, Weight.DOUBTS)


@pytest.mark.parametrize(
    ("cause", "weight"),
    [
        ("drive-failing", Weight.SPEAKS_FOR),
        (None, Weight.SPEAKS_FOR),
        ("signal-path", Weight.MIND),
        ("power-management", Weight.MIND),
    ],
)
def test_sign_of_the_drive_itself_speaks_for_it_only_where_another_drive_cures_it(
    cause: str | None, weight: Weight
) -> None:
    guide = guide_for("riser-4", array_box(), findings=(sign("riser-4", cause=cause),))
    assert "It shows media-errors-rising: it errs." in said(guide, weight)
    if weight is Weight.MIND and cause is not None:
        assert f"The likely cause is {CAUSE_WORDS[cause]}, which another drive would not cure" in said(guide, weight)


def test_one_cause_of_several_signs_is_said_once() -> None:
    signs = tuple(replace(sign("riser-4", cause="signal-path"), rule=rule) for rule in ("signal-errors", "link-slow"))
    reasons = guide_for("riser-4", array_box(), findings=signs).reasons
    assert len([reason for reason in reasons if reason.do and "would not cure" in reason.do]) == 1


def test_drive_that_does_not_answer_speaks_for_its_swap() -> None:
    box = array_box().edit(f"{PATHS[3]}/00.0", lambda drive: replace(drive, answers=False))
    assert "It does not answer any more." in said(guide_for("riser-4", box), Weight.SPEAKS_FOR)


# --- whatever the array is --------------------------------------------------------------------------------------------

STATES = st.lists(st.sampled_from(["in_sync", "faulty", "spare"]), min_size=2, max_size=4)
SURVIVED = {"raid0": 0, "raid1": None, "raid5": 1, "raid6": 2, "raid10": 1}


@given(STATES, st.sampled_from(sorted(SURVIVED)), st.integers(1, 4), st.integers(0, 4))
def test_it_is_never_safe_to_lose_more_than_the_level_survives(
    states: list[str], level: str, position: int, degraded: int
) -> None:
    """The second witness is plain counting: members out, one more if this one works, against the level's own number."""
    wanted = len(states)
    lost = max(degraded, 0) or states.count("faulty")
    survived = SURVIVED[level] if level != "raid1" else wanted - 1
    guide = guide_for(f"riser-{position}", array_box(*states, level=level, members_wanted=wanted, degraded=degraded))
    works = position <= len(states) and states[position - 1] == "in_sync"
    if works and survived is not None and lost + 1 > survived:
        assert guide.safety is Safety.NOT_SAFE
        assert f"riser-{position}" in kept(guide)
    if lost:
        others = {f"riser-{n}" for n, state in enumerate(states, start=1) if state == "in_sync" and n != position}
        assert others <= set(kept(guide))
