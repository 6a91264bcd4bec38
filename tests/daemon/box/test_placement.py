"""Declared positions laid over a machine."""

from dataclasses import replace

import pytest

from boxes.occupied_box import at, position
from boxes.snapshot_box import DISPLAY, SATA, Box, declare, kelp_box, one_drive
from laneproof.box.placement import Arrangement, State
from laneproof_collectors.snapshot import NvmeNamespace
from laneproof_collectors.unread import Unread, if_read

UNREAD = Unread("/sys/bus/pci/devices", "permission denied")


def lay(text: str, box: Box) -> Arrangement:
    return Arrangement(declare(text), box.snapshot())


def one_position(**keys: str) -> str:
    fields = ", ".join(f"{key} = {value}" for key, value in keys.items())
    return f'position = [{{ label = "a", {fields} }}]'


@pytest.mark.parametrize(
    ("path", "state"),
    [
        ("0000:00/01.1", State.OCCUPIED),
        ("0000:00/01.2", State.SILENT),
        ("0000:00/01.3", State.NO_BRIDGE),
        ("0000:00/01.4", State.GONE),  # it answers all ones
        ("0000:00/01.5", State.OCCUPIED),  # so does a device that sleeps
        ("0000:00/17.0/ata-1", State.OCCUPIED),
        ("0000:00/17.0/ata-2", State.SILENT),
        ("0000:00/18.0/ata-1", State.NO_BRIDGE),
    ],
)
def test_state_of_a_position(path: str, state: State) -> None:
    box = Box().with_port("0000:00/01.1").with_drive("0000:00/01.1").with_port("0000:00/01.2")
    for silent, asleep in (("0000:00/01.4", False), ("0000:00/01.5", True)):
        box.with_port(silent).with_drive(silent, asleep=asleep)
        box.edit(f"{silent}/00.0", lambda function: replace(function, answers=False))
    box.with_device("0000:00/17.0", class_code=SATA).with_sata_drive("0000:00/17.0/ata-1")
    assert lay(one_position(path=f'"{path}"'), box).placements[0].state is state


def test_unread_tree_leaves_positions_unread() -> None:
    (placement,) = lay(one_position(path='"0000:00/01.1"'), kelp_box().with_group(functions=UNREAD)).placements
    assert (placement.state, placement.unread) == (State.UNREAD, UNREAD)


@pytest.mark.parametrize(
    ("occupant", "link", "meant_occupied", "meant_empty"),
    [
        ('{ kind = "nvme" }', None, True, False),
        ('{ role = "data" }', None, True, False),
        ('{ kind = "none" }', None, False, True),
        ('{ kind = "none" }', "{ generation = 4 }", False, True),
        ("{}", None, False, False),
        (None, "{ generation = 4 }", True, False),
        (None, None, False, False),
    ],
)
def test_what_a_declaration_means_by_its_occupant(
    occupant: str | None, link: str | None, meant_occupied: bool, meant_empty: bool
) -> None:
    keys = {"path": '"0000:00/01.1"'} | ({"occupant": occupant} if occupant else {}) | ({"link": link} if link else {})
    found = lay(one_position(**keys), Box()).placements[0]
    assert (found.is_meant_occupied, found.is_meant_empty) == (meant_occupied, meant_empty)


TWO = position("a", 1, '{ serial = "A" }') + position("b", 2, '{ serial = "B" }')
MODELS = position("a", 1, '{ model = "Fulmar N4", capacity = "4 TB" }')
MODELS += position("b", 2, '{ model = "Gannet 2", capacity = "4 TB" }')
ONE_OF_A_MODEL = position("a", 1, '{ model = "Fulmar N4" }')
ONE_OF_A_MODEL += position("b", 2, '{ model = "Fulmar N4", serial = "B" }')
TURNS = one_position(path='"0000:00/01.1"', occupant='{ any_of = [{ serial = "A" }, { serial = "B" }] }')


@pytest.mark.parametrize(
    ("text", "box", "where"),
    [
        (TWO, at(None, "A"), "b"),
        (TWO, at(None, "B", "A"), "the undeclared 0000:00/01.3"),
        (TWO, at(None, "A", "A"), None),  # twins are no proof
        (MODELS, at(None, "X"), "b"),  # a model and a capacity that only one drive has
        (MODELS, at(None, "X", "Y"), None),
        (ONE_OF_A_MODEL, at(None, "B"), None),  # it is where it is declared to be
        (TURNS, at("C", "B"), "the undeclared 0000:00/01.2"),
        (TURNS, at(None, "A", "B"), None),  # either may be meant
    ],
)
def test_a_drive_is_found_elsewhere_only_where_there_is_no_doubt(text: str, box: Box, where: str | None) -> None:
    arrangement = lay(text, box)
    found = arrangement.found_elsewhere(arrangement.by_label["a"])
    assert (found and arrangement.where(found)) == where
    assert (found and arrangement.belongs_to(found)) == (found and "a")


@pytest.mark.parametrize(("here", "planned"), [("B", "B"), ("A", "A"), ("C", None), (None, None)])
def test_of_several_devices_that_take_turns_the_one_that_is_here_is_the_plan(
    here: str | None, planned: str | None
) -> None:
    (placement,) = lay(TURNS, at(here, None)).placements
    assert placement.declared_device is not None
    assert placement.declared_device.serial == planned
    assert placement.is_none_of_several_here is (planned is None)


def test_relevant_are_drives_network_cards_and_what_lies_on_the_way_to_them() -> None:
    box = Box().with_port("0000:00/02.1").with_switch("0000:00/02.1").with_port("0000:00/02.1/00.0/00.0")
    box.with_drive("0000:00/02.1/00.0/00.0").with_port("0000:00/03.0").with_network("0000:00/03.0", "enp3s0")
    box.with_port("0000:00/04.0").with_device("0000:00/04.0", class_code=DISPLAY)
    on_the_way = {"0000:00/02.1", "0000:00/02.1/00.0", "0000:00/02.1/00.0/00.0", "0000:00/03.0"}
    assert Arrangement(None, box.snapshot()).relevant_paths == on_the_way


BOARD_NVME = "platform/27bcc0000.nvme"


def board_box() -> Box:
    """Make a box whose one drive no PCI function carries."""
    (controller,) = if_read(one_drive("A").snapshot().controllers)
    return Box().with_group(controllers=(replace(controller, address=None, path=BOARD_NVME),))


def test_a_drive_that_no_pci_function_carries_is_in_its_position() -> None:
    arrangement = lay(one_position(path=f'"{BOARD_NVME}"'), board_box())
    (placement,) = arrangement.placements
    assert (placement.state, placement.link) == (State.OCCUPIED, None)
    assert placement.occupant is not None
    assert (placement.occupant.serial, placement.occupant.path) == ("A", BOARD_NVME)
    assert list(arrangement.undeclared_drives()) == []


@pytest.mark.parametrize(("group", "state"), [((), State.NO_BRIDGE), (UNREAD, State.UNREAD)])
def test_a_position_on_the_board_is_empty_or_unread_with_its_controllers(group: object, state: State) -> None:
    text = one_position(path=f'"{BOARD_NVME}"')
    assert lay(text, Box().with_group(controllers=group)).placements[0].state is state


def test_the_second_port_of_a_drive_is_no_other_position_of_it() -> None:
    box = Box()
    for number, path in enumerate(("0000:00/01.1", "0001:00/01.1")):
        space = NvmeNamespace(name="nvme0n1", number=1, size_bytes=1, wwid="eui.1")
        box.with_port(path).with_drive(path, serial="A", controller={"controller_id": number, "namespaces": (space,)})
    arrangement = lay(one_position(path='"0001:00/01.1"', occupant='{ serial = "A" }'), box)
    (placement,) = arrangement.placements
    assert arrangement.found_elsewhere(placement) is None
    assert [arrangement.where(drive) for drive in arrangement.drives] == ["a"]
    assert list(arrangement.undeclared_drives()) == []
