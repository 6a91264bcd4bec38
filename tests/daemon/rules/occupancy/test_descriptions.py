"""How occupants are described."""

import pytest

from boxes.snapshot_box import Box, declare
from laneproof.box.placement import arrange
from laneproof.rules.occupancy.descriptions import describe_declared, describe_found, moved_step
from laneproof_collectors.unread import Unread

PATH = "0000:00/01.1"


@pytest.mark.parametrize(
    ("occupant", "words"),
    [
        ('{ kind = "nvme" }', "nvme"),
        ('{ model = "Fulmar N4", serial = "FN0001" }', "device Fulmar N4, serial FN0001"),
        ('{ kind = "sata", model = "Gannet S8", capacity = "8 TB" }', "sata Gannet S8, 8 TB"),
    ],
)
def test_a_declared_occupant_is_described_by_what_is_declared(occupant: str, words: str) -> None:
    build = declare(f'position = [{{ label = "a", path = "{PATH}", occupant = {occupant} }}]')
    assert describe_declared(build.position[0].occupant) == words


def test_a_declared_link_alone_asks_for_a_device() -> None:
    assert describe_declared(None) == "a device"


def test_a_found_device_is_described_as_far_as_it_was_read() -> None:
    box = Box().with_port(PATH).with_drive(PATH, capacity="4 TB", controller={"serial": Unread("serial", "denied")})
    (drive,) = arrange(None, box.snapshot()).drives
    assert describe_found(drive) == "nvme Fulmar N4, 4 TB"


def test_who_moves_a_drive_back_shuts_the_box_down() -> None:
    assert "riser-1 is in riser-2: put it back (box off)" in moved_step("riser-1", "riser-2").says
