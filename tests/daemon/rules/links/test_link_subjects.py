"""Which links are judged, and what speaks for a link at rest."""

import pytest

from boxes.snapshot_box import SATA, Box, declare, one_drive
from laneproof.box.placement import Arrangement
from laneproof.box.topology import topology_of
from laneproof.rules.links.link_subjects import find_rest, find_subjects

PATH = "0000:00/01.1"


def switch_box() -> Box:
    box = Box().with_port("0000:00/01.2", lanes=8).with_switch("0000:00/01.2")
    return box.with_port("0000:00/01.2/00.0/04.0").with_drive("0000:00/01.2/00.0/04.0")


def test_without_a_build_every_link_is_a_subject() -> None:
    arrangement = Arrangement(None, switch_box().snapshot())
    assert [subject.path for subject in find_subjects(arrangement)] == ["0000:00/01.2", "0000:00/01.2/00.0/04.0"]


# Devices of real desktops and laptops whose links rest or sleep (lspci listings of the kernel's mailing lists): class
# codes of pci_ids.h
@pytest.mark.parametrize("class_code", [0x030000, 0x080501, 0x0C0330, 0x0C0340, 0x010601, 0x040300])
def test_without_a_build_devices_that_hold_no_drive_are_nobodys_worry(class_code: int) -> None:
    box = Box().with_port(PATH, trained=(1, 4)).with_device(PATH, class_code=class_code, trained=(1, 4))
    assert list(find_subjects(Arrangement(None, box.snapshot()))) == []


def test_without_a_build_network_cards_and_controllers_of_disks_are_subjects() -> None:
    box = Box().with_port("0000:00/01.2").with_network("0000:00/01.2", "wan0").with_port("0000:00/01.3")
    box.with_device("0000:00/01.3", class_code=SATA).with_sata_drive("0000:00/01.3/00.0/ata-1")
    arrangement = Arrangement(None, box.snapshot())
    assert [subject.path for subject in find_subjects(arrangement)] == ["0000:00/01.2", "0000:00/01.3"]


def test_with_a_build_positions_and_the_links_on_their_way_are() -> None:
    build = declare('[[position]]\nlabel = "deck"\npath = "0000:00/01.2/00.0/04.0"')
    box = switch_box().with_port(PATH).with_drive(PATH)
    found = list(find_subjects(Arrangement(build, box.snapshot())))
    assert [(finding.name, finding.is_shared) for finding in found] == [("deck", False), ("0000:00/01.2", True)]


@pytest.mark.parametrize("kind", ["none", "nvme"])
def test_position_meant_empty_has_no_link_to_judge(kind: str) -> None:
    build = declare(f'[[position]]\nlabel = "a"\npath = "{PATH}"\noccupant = {{ kind = "{kind}" }}')
    found = [subject for subject in find_subjects(Arrangement(build, one_drive().snapshot())) if not subject.is_shared]
    assert bool(found) == (kind == "nvme")


def test_device_at_work_speaks_for_no_rest() -> None:
    link = topology_of(one_drive().snapshot()).link_at(PATH)
    assert link is not None
    assert find_rest(link) is None
