"""Which position holds what, on make-believe trees."""

from dataclasses import replace

import pytest

from boxes.snapshot_box import DISPLAY, NETWORK, SATA, Box, make_interface
from laneproof.box.topology import topology_of
from laneproof_collectors.snapshot import PciFunction
from laneproof_collectors.unread import Unread

UNREAD = Unread("/sys/bus/pci/devices", "permission denied")


def switch_box() -> Box:
    box = Box().with_port("0000:00/01.2", gen=4, lanes=8).with_switch("0000:00/01.2", gen=4, lanes=8)
    for hop in ("04.0", "05.0", "06.0"):
        box.with_port(f"0000:00/01.2/00.0/{hop}")
    return box.with_drive("0000:00/01.2/00.0/04.0", serial="A").with_drive("0000:00/01.2/00.0/06.0", serial="C")


def test_position_without_a_bridge_is_empty() -> None:
    tree = topology_of(Box().with_port("0000:00/01.1").snapshot())
    assert tree.port_at("0000:00/01.3") is None
    assert tree.occupant_at("0000:00/01.3") is None
    assert tree.link_at("0000:00/01.3") is None


def test_silent_bridge_is_there_and_holds_nothing() -> None:
    tree = topology_of(Box().with_port("0000:00/01.1").snapshot())
    assert tree.port_at("0000:00/01.1") is not None
    assert tree.occupant_at("0000:00/01.1") is None


@pytest.mark.parametrize("root", ["0000:00", "10000:e0", "0001:00"])  # a domain may have five digits
def test_device_below_a_bridge_is_in_the_bridges_position(root: str) -> None:
    port = f"{root}/01.1"
    found = topology_of(Box().with_port(port).with_drive(port, serial="A").snapshot()).occupant_at(port)
    assert found is not None
    assert (found.kind, found.name, found.serial) == ("nvme", "nvme0", "A")
    assert (found.path, found.own_path) == (port, f"{port}/00.0")
    assert found.disks == ("nvme0n1",)


def test_device_that_no_bridge_precedes_is_its_own_position() -> None:
    tree = topology_of(Box().with_drive("0000:00/05.0").snapshot())
    found = tree.occupant_at("0000:00/05.0")
    assert found is not None
    assert found.kind == "nvme"
    link = tree.link_at("0000:00/05.0")
    assert link is not None
    assert link.port is None
    assert link.capable_lanes == 4
    assert [own.path for own in tree.links()] == ["0000:00/05.0"]


@pytest.mark.parametrize(("trained", "capable", "linked"), [(4, None, True), (None, 4, True), (None, None, False)])
def test_a_device_of_the_board_has_a_link_where_it_shows_any_width(
    trained: int | None,
    capable: int | None,
    linked: bool,
) -> None:
    def show(function: PciFunction) -> PciFunction:
        return replace(function, link=replace(function.link, trained_lanes=trained, capable_lanes=capable))

    box = Box().with_drive("0000:00/05.0").without_registers().edit("0000:00/05.0", show)
    assert (topology_of(box.snapshot()).link_at("0000:00/05.0") is not None) is linked


def test_bus_numbers_play_no_part() -> None:
    def renumber(function: PciFunction) -> PciFunction:
        return replace(function, address="0000:7f:00.0")

    box = switch_box().edit("0000:00/01.2/00.0/06.0/00.0", renumber)
    found = topology_of(box.snapshot()).occupant_at("0000:00/01.2/00.0/06.0")
    assert found is not None
    assert found.address == "0000:7f:00.0"


def test_drive_behind_a_switch_is_in_the_ports_position() -> None:
    tree = topology_of(switch_box().snapshot())
    assert tree.occupant_at("0000:00/01.2/00.0/05.0") is None
    found = tree.occupant_at("0000:00/01.2/00.0/06.0")
    assert found is not None
    assert found.serial == "C"
    card = tree.occupant_at("0000:00/01.2")
    assert card is not None
    assert card.kind == "other"


@pytest.mark.parametrize("privileged", [True, False])
def test_way_to_a_switched_drive_is_two_links(privileged: bool) -> None:
    box = switch_box() if privileged else switch_box().without_registers()
    way = topology_of(box.snapshot()).links_to("0000:00/01.2/00.0/06.0")
    assert [(link.path, link.trained_lanes.value) for link in way] == [
        ("0000:00/01.2", 8),
        ("0000:00/01.2/00.0/06.0", 4),
    ]


@pytest.mark.parametrize("privileged", [True, False])
def test_inside_of_a_switch_is_no_link(privileged: bool) -> None:
    box = switch_box() if privileged else switch_box().without_registers()
    paths = {link.path for link in topology_of(box.snapshot()).links()}
    assert paths == {"0000:00/01.2", "0000:00/01.2/00.0/04.0", "0000:00/01.2/00.0/06.0"}


def test_every_drive_is_found_once() -> None:
    box = switch_box().with_drive("0000:00/05.0", serial="E").with_device("0000:00/17.0", class_code=SATA)
    box.with_sata_drive("0000:00/17.0/ata-3", name="sdb").with_device("0000:00/02.0", class_code=DISPLAY)
    found = {(drive.path, drive.name) for drive in topology_of(box.snapshot()).drive_occupants()}
    assert found == {
        ("0000:00/01.2/00.0/04.0", "nvme0"),
        ("0000:00/01.2/00.0/06.0", "nvme1"),
        ("0000:00/05.0", "nvme2"),
        ("0000:00/17.0/ata-3", "sdb"),
    }


def test_second_function_of_a_drive_is_not_a_second_drive() -> None:
    box = Box().with_port("0000:00/01.1").with_drive("0000:00/01.1")
    snapshot = box.snapshot()
    assert isinstance(snapshot.functions, tuple)
    first = snapshot.functions[-1]
    second = replace(first, address=first.address.replace(".0", ".1"), hops=("01.1", "00.1"))
    tree = topology_of(replace(snapshot, functions=(*snapshot.functions, second)))
    assert [drive.name for drive in tree.drive_occupants()] == ["nvme0"]


def test_second_device_on_one_bus_has_its_own_path() -> None:
    # a bridge of the old, shared kind can carry several devices
    box = Box().with_port("0000:00/1e.0").with_drive("0000:00/1e.0", serial="A")
    snapshot = box.snapshot()
    assert isinstance(snapshot.functions, tuple)
    first = snapshot.functions[-1]
    second = replace(first, address="0000:01:02.0", hops=("1e.0", "02.0"))
    tree = topology_of(replace(snapshot, functions=(*snapshot.functions, second)))
    assert [drive.path for drive in tree.drive_occupants()] == ["0000:00/1e.0", "0000:00/1e.0/02.0"]


def test_sata_drive_is_found_at_its_controllers_hop() -> None:
    box = Box().with_device("0000:00/17.0", class_code=SATA).with_sata_drive("0000:00/17.0/ata-3", name="sdc")
    found = topology_of(box.snapshot()).occupant_at("0000:00/17.0/ata-3")
    assert found is not None
    assert (found.kind, found.name, found.is_drive) == ("sata", "sdc", True)


def test_network_card_is_shown_with_its_interfaces() -> None:
    box = Box().with_port("0000:00/1c.0").with_network("0000:00/1c.0", "enp1s0f0")
    found = topology_of(box.snapshot()).occupant_at("0000:00/1c.0")
    assert found is not None
    assert (found.kind, found.name) == ("network", "enp1s0f0")
    assert found.model == "1b36:0010"
    assert found.interfaces == (make_interface("enp1s0f0", address="0000:01:00.0"),)


def test_drive_that_no_driver_serves_is_still_an_occupant() -> None:
    snapshot = Box().with_port("0000:00/01.1").with_drive("0000:00/01.1").snapshot()
    found = topology_of(replace(snapshot, controllers=())).occupant_at("0000:00/01.1")
    assert found is not None
    assert found.kind == "nvme"
    assert isinstance(found.serial, Unread)
    assert "no NVMe driver" in found.serial.why


def test_unread_controllers_give_their_reason_to_the_drive() -> None:
    snapshot = Box().with_port("0000:00/01.1").with_drive("0000:00/01.1").snapshot()
    found = topology_of(replace(snapshot, controllers=UNREAD)).occupant_at("0000:00/01.1")
    assert found is not None
    assert found.serial is UNREAD


def test_unread_class_is_an_unread_kind() -> None:
    box = Box().with_port("0000:00/01.1").with_device("0000:00/01.1", class_code=NETWORK)
    box.edit("0000:00/01.1/00.0", lambda function: replace(function, class_code=UNREAD))
    found = topology_of(box.snapshot()).occupant_at("0000:00/01.1")
    assert found is not None
    assert found.kind is UNREAD


def test_unread_tree_says_so() -> None:
    tree = topology_of(replace(Box().snapshot(), functions=UNREAD))
    assert tree.unread is UNREAD
    assert not list(tree.links())


def test_device_whose_bridge_was_not_read_is_still_in_its_position() -> None:
    snapshot = Box().with_port("0000:00/01.1").with_drive("0000:00/01.1").snapshot()
    assert isinstance(snapshot.functions, tuple)
    tree = topology_of(replace(snapshot, functions=snapshot.functions[1:]))
    assert tree.occupant_at("0000:00/01.1") is not None


def test_two_drives_that_give_one_serial_number_are_known_to_share_it() -> None:
    made = Box().with_port("0000:00/01.1").with_drive("0000:00/01.1", serial="0123", controller={"controller_id": 1})
    made = made.with_port("0000:00/01.2").with_drive("0000:00/01.2", serial="0123 ", controller={"controller_id": 1})
    made = made.with_port("0000:00/01.3").with_drive("0000:00/01.3", serial="0124")
    tree = topology_of(made.snapshot())
    found = [tree.occupant_at(path) for path in ("0000:00/01.1", "0000:00/01.2", "0000:00/01.3")]
    assert [occupant and occupant.shares_serial for occupant in found] == [True, True, False]
    assert [drive.shares_serial for drive in tree.drive_occupants()] == [True, True, False]
