"""The steps come in an order that loses nothing, each with its cautions; nothing is run."""

import re
import shutil
import subprocess
from dataclasses import replace

import pytest

from boxes.array_box import BUILD, FREE, PATHS, SYSTEM, array_box, guide_for, make_members, make_mount
from boxes.snapshot_box import SATA, Box, declare, make_array
from laneproof.advice import DEGRADED_ARRAY, LIVE_DRIVE, OPEN_CASE
from laneproof.box.names import describe_position, find_drives
from laneproof.replacement import Guide, GuideStep, make_guide
from laneproof.replacement.steps import find_hot_plug
from laneproof_collectors.snapshot import ExpressRegisters, PciFunction, SlotRegisters
from laneproof_collectors.unread import Reason, Unread

SLOT = SlotRegisters(number=7, hot_plug_capable=True)


def titles(guide: Guide) -> list[str]:
    return [step.title for step in guide.steps]


def step(guide: Guide, start: str) -> GuideStep:
    return next(step for step in guide.steps if step.title.startswith(start))


def commands(guide: Guide) -> list[str]:
    return [command for step in guide.steps for command in step.commands]


def give_slot(function: PciFunction) -> PciFunction:
    assert isinstance(function.express, ExpressRegisters)
    return replace(function, express=replace(function.express, slot=SLOT))


def test_order_is_copy_array_label_power_case_drive_start_look() -> None:
    guide = guide_for("riser-4", array_box().with_device(FREE))
    assert titles(guide) == [
        "Copy what you cannot lose",
        "Take it out of md0",
        "Write down what is on the drive's label",
        "Shut down, and take the box off the mains",
        "Open the case and find riser-4",
        "Exchange the drive",
        "Close the case, plug it in, start",
        "See that the new drive trained and fits",
        "Only then give it to md0",
    ]


def test_empty_position_needs_no_preparation() -> None:
    guide = guide_for("deck-3", array_box())
    assert titles(guide)[:2] == ["Copy what you cannot lose", "Shut down, and take the box off the mains"]
    assert "Fit the drive" in titles(guide)
    assert commands(guide)[-1] == "laneproof replace deck-3 --was none"


@pytest.mark.parametrize(
    ("start", "words"),
    [
        ("Open", OPEN_CASE),
        ("Open", "If it is another one, leave it there"),
        ("Open", "Leave alone: riser-1, riser-2, riser-3."),
        ("Shut down", LIVE_DRIVE),
        ("Take it out", DEGRADED_ARRAY),
        ("Close the case", "qualified person"),
        ("Exchange", "metal"),
        ("Exchange", "Heat"),
        ("Write down", "serial number FN0004"),
    ],
)
def test_what_matters_stands_beside_what_it_is_about(start: str, words: str) -> None:
    found = step(guide_for("riser-4", array_box()), start)
    assert words in " ".join((*found.says, *found.cautions))


def test_free_socket_is_the_better_way_for_a_member_that_still_works() -> None:
    guide = guide_for("riser-4", array_box())
    better = step(guide, "Better")
    assert "deck-3" in better.title
    assert LIVE_DRIVE in better.cautions
    assert "shows no recovery any more" in better.says[1]
    assert better.commands == (
        "mdadm /dev/md0 --add /dev/NEWp2",
        "mdadm /dev/md0 --replace /dev/nvme3n1p2 --with /dev/NEWp2",
    )
    failed = guide_for("riser-4", array_box("in_sync", "in_sync", "in_sync", "faulty"))
    assert not any(title.startswith("Better") for title in titles(failed))


def test_member_that_failed_is_removed_and_one_that_works_is_failed_first() -> None:
    works = guide_for("riser-4", array_box())
    assert "mdadm /dev/md0 --fail /dev/nvme3n1p2 --remove /dev/nvme3n1p2" in commands(works)
    assert step(works, "Take it out").commands[0] == "lsblk --nodeps --noheadings -o NAME,SERIAL /dev/nvme3n1"
    assert "only if it shows FN0004" in step(works, "Take it out").says[0]
    failed = guide_for("riser-4", array_box("in_sync", "in_sync", "in_sync", "faulty"))
    assert "mdadm /dev/md0 --remove /dev/nvme3n1p2" in commands(failed)


@pytest.mark.witness("mdadm")
def test_every_option_of_mdadm_that_is_named_exists() -> None:
    """The second witness is mdadm's own help for managing members."""
    mdadm = shutil.which("mdadm", path="/usr/sbin:/sbin:/usr/bin:/bin") or ""
    found = subprocess.run([mdadm, "--manage", "--help"], capture_output=True, encoding="utf-8", check=False)
    known = set(re.findall(r"--[a-z-]+", found.stdout + found.stderr))
    used = {
        word
        for text in commands(guide_for("riser-4", array_box()))
        if text.startswith("mdadm")
        for word in text.split()
    }
    options = {word for word in used if word.startswith("--")}
    assert options == {"--add", "--replace", "--with", "--fail", "--remove"}
    assert options <= known


def test_other_arrays_defer_to_their_own_manual() -> None:
    members = make_members("present", "present", part="")
    btrfs = make_array("archive", (), kind="btrfs", level="raid1", members=members, members_wanted=2)
    guide = guide_for("riser-1", array_box().with_group(arrays=(btrfs,)))
    assert step(guide, "Tell archive").says == ("Follow the manual of btrfs for replacing a device of archive.",)
    assert not any(text.startswith("mdadm") for text in commands(guide))


def test_file_systems_are_let_go_and_the_root_is_not_unmounted() -> None:
    mounts = (make_mount("/", "/dev/nvme4n1p2"), make_mount("/boot", "/dev/nvme4n1p1"))
    guide = guide_for("system", array_box().with_group(file_systems=mounts))
    assert step(guide, "Stop using /, /boot").commands == ("umount /boot",)


def test_new_drive_must_hold_what_the_array_uses_of_each() -> None:
    guide = guide_for("riser-4", array_box(size_bytes=11_400_000_000_000))
    assert "The new drive must hold 4 TB or a little more." in step(guide, "Exchange").says  # declared
    guide = guide_for("riser-4", array_box(size_bytes=24_000_000_000_000))
    assert "The new drive must hold 8 TB or a little more." in step(guide, "Exchange").says  # a third of 24 TB


def test_box_is_off_unless_registers_and_makers_both_say_otherwise() -> None:
    plain = step(guide_for("riser-4", array_box()), "Shut down")
    assert plain.says == ("Shut the box down, switch the supply off, and pull the mains cord.",)
    hot = step(guide_for("riser-4", array_box().edit(PATHS[3], give_slot)), "Shut down")
    assert len(hot.says) == 2
    assert "Only where the makers of the board, of what stands between and of the drive say so too" in hot.says[1]
    assert LIVE_DRIVE in hot.cautions


def test_registers_that_were_not_read_allow_no_hot_plug() -> None:
    box = array_box().edit(PATHS[3], give_slot).without_registers()
    snapshot = box.snapshot()
    assert find_hot_plug(describe_position(PATHS[3], BUILD, snapshot)) is None
    gap = Unread("config", "denied", Reason.DENIED)
    box = array_box().edit(PATHS[3], lambda port: replace(port, express=gap))
    assert find_hot_plug(describe_position(PATHS[3], BUILD, box.snapshot())) is None


def test_drive_in_a_bay_defers_to_the_makers_of_bay_and_controller() -> None:
    box = Box().with_device("0000:00/17.0", class_code=SATA).with_sata_drive("0000:00/17.0/ata-3")
    says = step(guide_for("sda", box), "Shut down").says
    assert says[1] == "Only where the makers of the bay and of its controller say so may the box stay on."


def test_cables_and_adapters_have_their_own_cautions() -> None:
    build = declare(
        f'[[position]]\nlabel = "far end"\npath = "{SYSTEM}"\n'
        'through = [{ kind = "flexible-cable", id = "green" }, "key-adapter"]'
    )
    snapshot = array_box().snapshot()
    (position,) = find_drives("far end", build, snapshot)
    guide = make_guide(position, build, snapshot, ())
    cautions = step(guide, "Exchange").cautions
    assert any("flexible cable" in step for step in cautions)
    assert any("goes in by force" in step for step in cautions)
    assert 'Between the board and the drive stand: flexible-cable "green", key-adapter.' in step(guide, "Open").says
    assert "laneproof replace 'far end' --was SYS1" in commands(guide)


def test_drive_that_reported_no_serial_is_said_so() -> None:
    gap = Unread("serial", "denied", Reason.DENIED)
    box = Box().with_port(PATHS[0]).with_drive(PATHS[0], controller={"serial": gap})
    guide = guide_for("riser-1", box)
    assert "its serial number, which could not be read here" in step(guide, "Write down").says[0]
    assert "laneproof replace riser-1 --was none" in commands(guide)
