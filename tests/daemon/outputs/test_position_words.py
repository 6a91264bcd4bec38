"""The words for one position."""

from dataclasses import replace

import pytest

from boxes.snapshot_box import Box, declare, kelp_box, make_array
from laneproof.box.names import Position, describe_position
from laneproof.declaration.build import Build
from laneproof.outputs.position_words import (
    list_uses,
    say_between,
    say_link,
    say_occupant,
    say_path,
    say_position,
    say_serial,
)
from laneproof_collectors.snapshot import ArrayMember, MountedFileSystem, PhysicalSlot
from laneproof_collectors.unread import Reason, Unread

PATH = "0000:00/01.1"
BUILD = declare(
    '[slot.riser]\npath = "0000:00"\nsplit = [4, 4]\n'
    f'[[position]]\nlabel = "riser-1"\npath = "{PATH}"\nslot = "riser"\nbranch = 2\n'
    'through = ["passive-split", { kind = "flexible-cable", id = "green" }]'
)


def position(box: Box | None = None, build: Build | None = BUILD) -> Position:
    return describe_position(PATH, build, (box or kelp_box(1)).snapshot())


def test_who_is_there() -> None:
    assert say_occupant(position().occupant) == "nvme0, Fulmar N4, 4 TB"
    assert say_occupant(None) == "empty"
    dead = kelp_box(1).edit(f"{PATH}/00.0", lambda one: replace(one, answers=False))
    assert say_occupant(position(dead).occupant).endswith("(it does not answer)")


def test_serial_that_is_not_known_is_said_so() -> None:
    box = Box().with_port(PATH).with_drive(PATH, controller={"serial": Unread("x", "y", Reason.DENIED)})
    found = position(box).occupant
    assert found is not None
    assert say_serial(found) == "not known"


def test_where_on_the_board() -> None:
    assert say_position(position()) == "slot riser, branch 2"
    named = describe_position(
        PATH, BUILD, replace(kelp_box(1).snapshot(), slots=(PhysicalSlot(name="J7", address="0000:01:00"),))
    )
    assert say_position(named) == "slot riser, branch 2; the board calls it J7"
    assert say_position(position(build=None)) == ""


def test_what_stands_between() -> None:
    assert say_between(position()) == 'passive-split, then flexible-cable marked "green"'
    assert say_between(position(build=None)) == ""


def test_path_with_the_addresses_of_today() -> None:
    assert say_path(position()) == f"{PATH} (now 0000:01:00.0 behind port 0000:00:01.1)"
    assert say_path(position(kelp_box(1).without(PATH))) == f"{PATH} (behind port 0000:00:01.1)"
    assert say_path(position(Box())) == PATH
    alone = describe_position("0000:00/05.0", None, Box().with_drive("0000:00/05.0").snapshot())
    assert say_path(alone) == "0000:00/05.0 (now 0000:00:05.0)"


@pytest.mark.parametrize(
    ("trained", "says"),
    [
        (None, "x4 at 16 GT/s (generation 4)"),
        ((3, 4), "x4 at 8 GT/s (generation 3); both ends can do x4 at 16 GT/s (generation 4)"),
    ],
)
def test_link_with_what_it_could_be(trained: tuple[int, int] | None, says: str) -> None:
    assert say_link(position(Box().with_port(PATH, trained=trained).with_drive(PATH))) == says


def test_position_without_a_link() -> None:
    assert say_link(position(kelp_box(1).without(PATH))) == "no link"
    assert say_link(position(Box())) == ""


def test_what_uses_it() -> None:
    member = ArrayMember(name="nvme0n1p2", disk="nvme0n1", state="in_sync,write_error", slot=1, errors=0)
    spare = ArrayMember(name="nvme0n1p3", disk="nvme0n1", state="spare", slot=None, errors=0)
    mount = MountedFileSystem(
        mount="/", device="/dev/nvme0n1p1", kind="ext4", size_bytes=1, available_bytes=1, read_only=False,
        declared_read_only=False,
    )  # fmt: skip
    arrays = make_array("md0", (), members=(member,)), make_array("md1", (), members=(spare,), level="raid1")
    box = kelp_box(1).with_group(arrays=arrays, file_systems=(mount,))
    assert list(list_uses(position(box))) == [
        "member 1 of md0 (raid5), by nvme0n1p2, in_sync, write_error",
        "a member without a slot of md1 (raid1), by nvme0n1p3, spare",
        "ext4 at /, on /dev/nvme0n1p1",
    ]
