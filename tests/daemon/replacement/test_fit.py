"""The new drive is judged as in every audit, only not by the old one's serial number; then comes what is next."""

from dataclasses import replace
from typing import Any

import pytest

from boxes.array_box import BUILD, PATHS, array_box, make_members
from boxes.snapshot_box import SATA, Box, make_array
from laneproof.box.topology import topology_of
from laneproof.declaration.build import Build
from laneproof.replacement import Fit, check_new_drive, is_new_drive
from laneproof.replacement.fit import name_part
from laneproof_collectors.unread import Reason, Unread

GAP = Unread("it", "permission denied", Reason.DENIED)
PATH = PATHS[3]


def swapped(
    *,
    port: dict[str, Any] | None = None,
    part: str = "p2",
    array: dict[str, Any] | None = None,
    **drive: Any,
) -> Box:
    """Make the box with another drive in riser-4, for which md0 waits."""
    facts: dict[str, Any] = {"degraded": 1, "members": make_members("in_sync", "in_sync", "in_sync", part=part)}
    box = array_box(**facts | (array or {})).without(PATH)
    return box.with_port(PATH, **port or {}).with_drive(PATH, **{"serial": "NEW9"} | drive)


def check(box: Box, *, was: str | None = "FN0004", build: Build | None = BUILD, path: str = PATH) -> Fit:
    return check_new_drive(path, was, build, box.snapshot())


def items(fit: Fit) -> dict[str, tuple[bool | None, str]]:
    return {item.what: (item.holds, item.says) for item in fit.items}


def test_drive_as_declared_fits_and_is_given_to_its_array() -> None:
    fit = check(swapped())
    assert fit.verdict == "fits"
    assert [item.holds for item in fit.items] == [True] * 5
    assert fit.commands == (
        "sfdisk --dump /dev/nvme0n1 | sed -E '/^label-id/d; s/, *uuid=[^,]*//' >layout.txt",
        "sfdisk /dev/nvme4n1 <layout.txt",
        "mdadm /dev/md0 --add /dev/nvme4n1p2",
        "cat /proc/mdstat",
        "laneproof audit",
    )
    assert fit.advice[0] == 'Put the new serial number into the declaration, at riser-4: serial = "NEW9".'
    assert any("without its identifiers" in text for text in fit.advice)
    assert any("touch no drive of it" in text for text in fit.advice)


def test_members_that_are_whole_disks_need_no_layout() -> None:
    assert check(swapped(part="")).commands[0] == "mdadm /dev/md0 --add /dev/nvme4n1"


@pytest.mark.parametrize(
    ("typed", "known", "holds"),
    [
        ("FN0004", {"FN0004", "NEW9"}, True),
        ("FN00O4", {"FN0004"}, None),
        ("FN0004", set(), None),
        ("NEW9", set(), False),
    ],
)
def test_number_that_was_typed_counts_only_where_it_was_seen(typed: str, known: set[str], holds: object) -> None:
    """A number with a letter for a digit is that of no drive, and so is other than the old drive's own as well."""
    fit = check_new_drive(PATH, typed, BUILD, swapped().snapshot(), known=known)
    assert items(fit)["another drive"][0] is holds
    if holds is None:
        assert fit.commands == ()
        assert f"{typed} was never seen here" in items(fit)["another drive"][1]


def test_nothing_there_is_reported_at_once() -> None:
    fit = check(array_box().without(PATH))
    assert (fit.verdict, fit.commands) == ("differs", ())
    assert fit.items[0].says == f"No drive answers at {PATH}."


LITTLE_TOO_SMALL = {"size_bytes": 3 * 4_000_787_030_016}
"""Both are 4 TB on the label, and equal for the declaration; md refuses the smaller all the same."""


@pytest.mark.parametrize(
    ("facts", "asked", "verdict", "what", "holds", "says"),
    [
        ({"serial": "FN0004"}, {}, "differs", "another drive", False, "the drive that was here before, serial FN0004."),
        ({"serial": "FN0004"}, {"was": None}, "fits", "another drive", True, "Its serial number is FN0004."),
        ({"controller": {"serial": GAP}}, {}, "unverified", "another drive", None, "it could be the old one"),
        ({"capacity": "2 TB"}, {}, "differs", "as declared", False, "2 TB"),
        ({"capacity": "2 TB"}, {}, "differs", "large enough for md0", False, "It holds 2 TB; md0 uses 4 TB of each."),
        ({"array": LITTLE_TOO_SMALL}, {}, "differs", "large enough for md0", False, "It lacks 787 MB"),
        ({"array": LITTLE_TOO_SMALL}, {}, "differs", "as declared", True, "as far as declared"),
        (
            {"controller": {"identity": GAP, "namespaces": ()}},
            {},
            "unverified",
            "large enough for md0",
            None,
            "could not",
        ),
        ({"port": {"trained": (3, 4)}}, {}, "differs", "trained", False, "8 GT/s"),
        ({"port": {"trained": (4, 2)}}, {}, "differs", "trained", False, "x2"),
        ({}, {}, "fits", "trained", True, "Its link trained x4 at 16 GT/s (generation 4), as declared."),
        ({}, {"build": None}, "fits", "trained", True, "all that both ends can do."),
        ({"port": {"trained": (3, 4)}}, {"build": None}, "differs", "trained", False, "8 GT/s"),
        ({"health": {"critical_warning": 4}}, {}, "differs", "healthy", False, ""),
        ({"health": GAP}, {}, "unverified", "healthy", None, "permission denied"),
        (
            {"health": {"power_on_hours": 12345, "percentage_used": 41}},
            {},
            "fits",
            "healthy",
            True,
            "It reports of itself: 12345 hours in use, 41 % worn.",
        ),
    ],
)
def test_each_thing_that_is_checked_is_said_with_its_figures(
    facts: dict[str, Any], asked: dict[str, Any], verdict: str, what: str, says: str, *, holds: bool | None
) -> None:
    fit = check(swapped(**facts), **asked)
    assert fit.verdict == verdict
    assert items(fit)[what][0] is holds
    assert says in items(fit)[what][1]
    if verdict == "differs":
        assert fit.commands == ()
        assert fit.advice == ("Put this right first: give the drive to no array as it is. Then check again.",)


def test_link_that_could_not_be_read_is_not_fine() -> None:
    box = swapped()
    for own in (PATH, f"{PATH}/00.0"):
        box.edit(
            own, lambda end: replace(end, express=GAP, link=replace(end.link, trained_gt_s=GAP, trained_lanes=GAP))
        )
    assert items(check(box))["trained"][0] is None


def test_array_that_is_not_declared_for_the_position_is_not_given_the_drive() -> None:
    other = make_array("md9", (), members=make_members("in_sync", "in_sync"), members_wanted=3, degraded=1)
    fit = check(swapped().with_group(arrays=(other,)))
    assert not any("mdadm" in text for text in fit.commands)


def test_array_that_took_the_drive_already_is_reported() -> None:
    members = (*make_members("in_sync", "in_sync", "in_sync"), replace(make_members(*["spare"] * 5)[4], slot=3))
    fit = check(swapped(array={"members": members, "sync_action": "recover"}))
    assert "It is in md0 already, as nvme4n1p2." in fit.advice
    assert not any("--add" in text for text in fit.commands)


def test_drive_on_a_controller_has_no_link_of_its_own() -> None:
    path = "0000:00/17.0/ata-3"
    box = Box().with_device("0000:00/17.0", class_code=SATA).with_sata_drive(path, serial="S2")
    fit = check(box, build=None, path=path)
    assert items(fit)["trained"] == (True, "It hangs on a controller, which has no link of its own here.")


def test_json_gives_each_item() -> None:
    answer = check(swapped(capacity="2 TB")).as_json()
    assert (answer["position"], answer["verdict"]) == ("riser-4", "differs")
    assert {"what": "another drive", "result": "holds", "says": "Its serial number is NEW9."} in answer["items"]


@pytest.mark.parametrize(
    ("disk", "like", "name"),
    [
        ("nvme4n1", "p2", "nvme4n1p2"),
        ("sdc", "2", "sdc2"),
        ("sdc", "p2", "sdc2"),
        ("nvme4n1", "1", "nvme4n1p1"),
        ("sdc", "", "sdc"),
    ],
)
def test_partition_of_the_same_number_is_named_as_the_kernel_does(disk: str, like: str, name: str) -> None:
    """block/genhd.c: p and the number after a disk's name that ends in a digit, else the number alone."""
    assert name_part(disk, like) == name


def test_new_drive_is_one_that_answers_and_gives_another_serial() -> None:
    def occupant(box: Box) -> Any:  # noqa: ANN401 (of either kind)
        return topology_of(box.snapshot()).occupant_at(PATH)

    assert is_new_drive(occupant(swapped()), "FN0004")
    assert is_new_drive(occupant(swapped()), None)
    assert not is_new_drive(occupant(swapped()), "NEW9")
    assert not is_new_drive(occupant(swapped(controller={"serial": GAP})), "FN0004")
    assert not is_new_drive(None, "FN0004")
    dead = swapped().edit(f"{PATH}/00.0", lambda drive: replace(drive, answers=False))
    assert not is_new_drive(occupant(dead), "FN0004")
