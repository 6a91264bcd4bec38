from dataclasses import replace

import pytest

from boxes.snapshot_box import DISPLAY, Box, kelp_box, make_sata_drive
from laneproof.box.topology import topology_of
from laneproof.draft.positions import (
    DraftedPosition,
    DraftedSlot,
    EmptyPort,
    clean_text,
    draft_positions,
    draft_slots,
    find_empty_ports,
)
from laneproof_collectors.snapshot import ExpressRegisters, PciFunction, PhysicalSlot, SlotRegisters
from laneproof_collectors.unread import Reason, Unread


def _slots(box: Box, *named: PhysicalSlot) -> tuple[DraftedSlot, ...]:
    return draft_slots(topology_of(box.snapshot()), named)


def _positions(box: Box, *named: PhysicalSlot) -> dict[str, DraftedPosition]:
    topology = topology_of(box.snapshot())
    return {position.path: position for position in draft_positions(topology, named, draft_slots(topology, named))}


def _ports(*lanes: int, first: int = 1, hop: str = "01") -> Box:
    box = Box()
    for number, width in enumerate(lanes, start=first):
        box.with_port(f"0000:00/{hop}.{number}", lanes=width)
    return box.with_drive(f"0000:00/{hop}.{first}")


def _with_slot_number(function: PciFunction, number: int) -> PciFunction:
    assert isinstance(function.express, ExpressRegisters)
    slot = SlotRegisters(number=number, hot_plug_capable=True)
    return replace(function, express=replace(function.express, slot=slot))


# The trade's words for a split: x8x8, x8x4x4, x4x4x4x4, and x4x4 of an x8 slot; common practice, no source
@pytest.mark.parametrize("lanes", [(4, 4), (8, 8), (8, 4, 4), (4, 4, 4, 4)])
def test_neighbouring_ports_that_make_up_a_slot_are_a_split_slot(lanes: tuple[int, ...]) -> None:
    (slot,) = _slots(_ports(*lanes))
    assert slot.split == lanes
    assert not slot.named_by_firmware
    assert slot.ports[0] == "0000:00/01.1"


@pytest.mark.parametrize("lanes", [(4,), (16, 4), (1, 1, 1, 1), (4, 4, 4), (2, 2)])
def test_ports_whose_lanes_make_up_no_slot_are_sockets_of_their_own(lanes: tuple[int, ...]) -> None:
    assert _slots(_ports(*lanes)) == ()


def test_ports_that_are_no_neighbours_are_sockets_of_their_own() -> None:
    box = Box().with_port("0000:00/1c.0").with_port("0000:00/1c.4").with_drive("0000:00/1c.0")
    assert _slots(box) == ()


def test_ports_without_any_drive_are_not_called_a_split_slot() -> None:
    box = Box().with_port("0000:00/01.0", lanes=8).with_port("0000:00/01.1", lanes=8)
    assert _slots(box.with_device("0000:00/01.0", class_code=DISPLAY)) == ()


def test_ports_of_a_switch_card_are_no_split_slot() -> None:
    box = Box().with_port("0000:00/03.1", lanes=8).with_switch("0000:00/03.1")
    for number in (0, 1):
        box.with_port(f"0000:00/03.1/00.0/01.{number}").with_drive(f"0000:00/03.1/00.0/01.{number}")
    assert _slots(box) == ()


def test_split_slot_that_the_firmware_names_has_that_name() -> None:
    named = PhysicalSlot(name="PCIEX16_1 (CPU)", address="0000:00:01", electrical_lanes=16, source="smbios")
    (slot,) = _slots(kelp_box(4), named)
    assert (slot.name, slot.named_by_firmware) == ("pciex16-1-cpu", True)
    assert {position.label for position in _positions(kelp_box(4), named).values()} == {
        f"pciex16-1-cpu-{n}" for n in (1, 2, 3, 4)
    }


def test_ports_that_the_firmware_gives_several_names_are_sockets_of_their_own() -> None:
    named = [PhysicalSlot(name=name, address="0000:00:01", source="smbios") for name in ("M2_1", "M2_2")]
    assert _slots(kelp_box(2), *named) == ()


def test_split_slot_is_found_without_privilege() -> None:
    assert len(_slots(kelp_box(4).without_registers())) == 1


def test_empty_branch_keeps_its_turn_in_the_count() -> None:
    box = kelp_box(3).with_port("0000:00/01.4").without("0000:00/01.2")
    assert {path: one.branch for path, one in _positions(box).items()} == {"0000:00/01.1": 1, "0000:00/01.3": 3}


@pytest.mark.parametrize(
    ("slots", "port_number", "own_label", "label"),
    [
        ([PhysicalSlot(name="M2_1", address="0000:01:00", source="smbios")], 0, None, "M2_1"),
        ([PhysicalSlot(name="M2_1", address="0000:00:01", source="smbios")], 0, None, "M2_1"),
        ([PhysicalSlot(name="5", address="0000:01:00")], 0, None, "slot-5"),
        (  # the firmware's name stands before the kernel's number
            [PhysicalSlot(name="3", address="0000:01:00"),
             PhysicalSlot(name="M2_1", address="0000:01:00", source="smbios")], 0, None, "M2_1",
        ),
        ([PhysicalSlot(name="J1", address=None, source="smbios")], 0, None, "drive-1"),
        ([PhysicalSlot(name=" ", address="0000:01:00", source="smbios")], 0, None, "drive-1"),
        ([], 1, None, "slot-1"),
        ([], 0, "Onboard drive", "Onboard drive"),
    ],
)  # fmt: skip
def test_position_is_called_what_the_machine_calls_it(
    slots: list[PhysicalSlot], port_number: int, own_label: str | None, label: str
) -> None:
    box = kelp_box(1).edit("0000:00/01.1", lambda function: _with_slot_number(function, port_number))
    box.edit("0000:00/01.1/00.0", lambda function: replace(function, label=own_label))
    position = _positions(box, *slots)["0000:00/01.1"]
    assert position.label == label
    assert bool(position.label_from) is (label != "drive-1")


def test_no_two_positions_have_one_label() -> None:
    box = Box()
    for hop in ("01", "02", "03"):
        box.with_port(f"0000:00/{hop}.0").with_drive(f"0000:00/{hop}.0")
    box.edit("0000:00/02.0", lambda function: _with_slot_number(function, 1)).edit(
        "0000:00/03.0", lambda function: _with_slot_number(function, 1)
    )
    drafted = _positions(box)
    assert [position.label for position in drafted.values()] == ["drive-1", "slot-1", "slot-2"]
    assert [position.label_from for position in drafted.values()] == ["", "", ""]


def test_drive_on_a_controller_is_called_by_its_own_hop() -> None:
    drive = make_sata_drive("sda", "0000:00/17.0/ata-3")
    assert _positions(Box().with_group(drives=(drive,)))["0000:00/17.0/ata-3"].label == "ata-3"


def test_drive_whose_position_has_no_path_of_bridges_is_left_to_the_remarks() -> None:
    drive = make_sata_drive("sda", "elsewhere/ata-3")
    assert _positions(Box().with_group(drives=(drive,))) == {}


def test_identity_that_could_not_be_read_is_left_out_with_the_reason() -> None:
    drive = make_sata_drive(
        "sda", "0000:00/17.0/ata-3", serial=Unread("the serial of sda", "it sleeps", Reason.NOT_ASKED)
    )
    position = _positions(Box().with_group(drives=(drive,)))["0000:00/17.0/ata-3"]
    assert "serial" not in position.occupant
    assert position.remarks == ("occupant.serial is left out: could not read the serial of sda: it sleeps",)


def test_empty_port_is_offered_with_what_it_could_do() -> None:
    box = (
        Box()
        .with_port("0000:00/01.1", gen=3, lanes=4)
        .edit("0000:00/01.1", lambda function: _with_slot_number(function, 5))
    )
    assert find_empty_ports(topology_of(box.snapshot())) == (
        EmptyPort(path="0000:00/01.1", description="slot 5, up to generation 3 x4"),
    )


def test_port_without_a_slot_is_not_offered() -> None:
    assert find_empty_ports(topology_of(Box().with_port("0000:00/01.1").snapshot())) == ()


@pytest.mark.parametrize(
    ("reported", "text"), [(" a ", "a"), ("", None), (" ", None), (None, None), (3, None), ("\ud800", "?")]
)
def test_text_is_kept_if_it_can_stand_in_a_file(reported: object, text: str | None) -> None:
    assert clean_text(reported) == text
