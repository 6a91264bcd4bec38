"""Which position holds what, on make-believe trees."""

from dataclasses import replace

import pytest

from boxes.snapshot_box import DISPLAY, NETWORK, SATA, Box, make_interface, one_drive
from laneproof.box.occupants import Occupant
from laneproof.box.topology import topology_of
from laneproof_collectors.snapshot import PciFunction, Snapshot
from laneproof_collectors.unread import Unread, if_read

UNREAD = Unread("/sys/bus/pci/devices", "permission denied")


def switch_box() -> Box:
    box = Box().with_port("0000:00/01.2", gen=4, lanes=8).with_switch("0000:00/01.2", gen=4, lanes=8)
    for hop in ("04.0", "05.0", "06.0"):
        box.with_port(f"0000:00/01.2/00.0/{hop}")
    return box.with_drive("0000:00/01.2/00.0/04.0", serial="A").with_drive("0000:00/01.2/00.0/06.0", serial="C")


def occupant(box: Box | Snapshot, path: str) -> Occupant:
    found = topology_of(box.snapshot() if isinstance(box, Box) else box).occupant_at(path)
    assert found is not None
    return found


def test_position_without_a_bridge_is_empty() -> None:
    tree = topology_of(Box().with_port("0000:00/01.1").snapshot())
    assert (tree.port_at("0000:00/01.3"), tree.link_at("0000:00/01.3")) == (None, None)
    assert (tree.occupant_at("0000:00/01.3"), tree.occupant_at("0000:00/01.1")) == (None, None)
    assert tree.port_at("0000:00/01.1") is not None  # a silent bridge is there


@pytest.mark.parametrize("root", ["0000:00", "10000:e0", "0001:00"])  # a domain may have five digits
def test_device_below_a_bridge_is_in_the_bridges_position(root: str) -> None:
    port = f"{root}/01.1"
    found = occupant(Box().with_port(port).with_drive(port, serial="A"), port)
    assert (found.kind, found.name, found.serial) == ("nvme", "nvme0", "A")
    assert (found.path, found.own_path) == (port, f"{port}/00.0")
    assert found.disks == ("nvme0n1",)


def test_device_that_no_bridge_precedes_is_its_own_position() -> None:
    snapshot = Box().with_drive("0000:00/05.0").snapshot()
    assert occupant(snapshot, "0000:00/05.0").kind == "nvme"
    (link,) = topology_of(snapshot).links()
    assert (link.path, link.port, link.capable_lanes) == ("0000:00/05.0", None, 4)


@pytest.mark.parametrize(("trained", "capable", "linked"), [(4, None, True), (None, 4, True), (None, None, False)])
def test_a_device_of_the_board_has_a_link_where_it_shows_any_width(
    trained: int | None, capable: int | None, linked: bool
) -> None:
    def show(function: PciFunction) -> PciFunction:
        return replace(function, link=replace(function.link, trained_lanes=trained, capable_lanes=capable))

    box = Box().with_drive("0000:00/05.0").without_registers().edit("0000:00/05.0", show)
    assert (topology_of(box.snapshot()).link_at("0000:00/05.0") is not None) is linked


def test_bus_numbers_play_no_part() -> None:
    def renumber(function: PciFunction) -> PciFunction:
        return replace(function, address="0000:7f:00.0")

    box = switch_box().edit("0000:00/01.2/00.0/06.0/00.0", renumber)
    assert occupant(box, "0000:00/01.2/00.0/06.0").address == "0000:7f:00.0"


def test_drive_behind_a_switch_is_in_the_ports_position() -> None:
    assert topology_of(switch_box().snapshot()).occupant_at("0000:00/01.2/00.0/05.0") is None
    assert occupant(switch_box(), "0000:00/01.2/00.0/06.0").serial == "C"
    assert occupant(switch_box(), "0000:00/01.2").kind == "other"


@pytest.mark.parametrize("privileged", [True, False])
def test_way_to_a_switched_drive_is_two_links(privileged: bool) -> None:
    box = switch_box() if privileged else switch_box().without_registers()
    way = topology_of(box.snapshot()).links_to("0000:00/01.2/00.0/06.0")
    assert [(link.path, link.trained_lanes.value) for link in way] == [("0000:00/01.2", 8), (way[1].path, 4)]
    paths = [link.path for link in topology_of(box.snapshot()).links()]  # not the inside of the switch
    assert paths == ["0000:00/01.2", "0000:00/01.2/00.0/04.0", "0000:00/01.2/00.0/06.0"]


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


def drives_beside(address: str, hop: str) -> list[str]:
    """Give the paths of the drives where a drive's bus has another function of its kind."""
    snapshot = one_drive().snapshot()
    functions = if_read(snapshot.functions)
    second = replace(functions[-1], address=address, hops=("01.1", hop))
    tree = topology_of(replace(snapshot, functions=(*functions, second)))
    return [drive.path for drive in tree.drive_occupants()]


def test_second_function_of_a_drive_is_not_a_second_drive() -> None:
    assert drives_beside("0000:01:00.1", "00.1") == ["0000:00/01.1"]


def test_second_device_on_one_bus_has_its_own_path() -> None:
    # a bridge of the old, shared kind can carry several devices
    assert drives_beside("0000:01:02.0", "02.0") == ["0000:00/01.1", "0000:00/01.1/02.0"]


def test_sata_drive_is_found_at_its_controllers_hop() -> None:
    box = Box().with_device("0000:00/17.0", class_code=SATA).with_sata_drive("0000:00/17.0/ata-3", name="sdc")
    found = occupant(box, "0000:00/17.0/ata-3")
    assert (found.kind, found.name, found.is_drive) == ("sata", "sdc", True)


def test_network_card_is_shown_with_its_interfaces() -> None:
    box = Box().with_port("0000:00/1c.0").with_network("0000:00/1c.0", "enp1s0f0")
    found = occupant(box, "0000:00/1c.0")
    assert (found.kind, found.name, found.model) == ("network", "enp1s0f0", "1b36:0010")
    assert found.interfaces == (make_interface("enp1s0f0", address="0000:01:00.0"),)


def test_drive_that_no_driver_serves_is_still_an_occupant() -> None:
    found = occupant(one_drive().with_group(controllers=()), "0000:00/01.1")
    assert found.kind == "nvme"
    assert isinstance(found.serial, Unread)
    assert "no NVMe driver" in found.serial.why
    assert occupant(one_drive().with_group(controllers=UNREAD), "0000:00/01.1").serial is UNREAD


def test_unread_class_is_an_unread_kind() -> None:
    box = Box().with_port("0000:00/01.1").with_device("0000:00/01.1", class_code=NETWORK)
    box.edit("0000:00/01.1/00.0", lambda function: replace(function, class_code=UNREAD))
    assert occupant(box, "0000:00/01.1").kind is UNREAD


def test_unread_tree_says_so() -> None:
    tree = topology_of(replace(Box().snapshot(), functions=UNREAD))
    assert tree.unread is UNREAD
    assert not list(tree.links())


def test_device_whose_bridge_was_not_read_is_still_in_its_position() -> None:
    snapshot = one_drive().snapshot()
    assert occupant(replace(snapshot, functions=if_read(snapshot.functions)[1:]), "0000:00/01.1").kind == "nvme"


def test_two_drives_that_give_one_serial_number_are_known_to_share_it() -> None:
    made = Box().with_port("0000:00/01.1").with_drive("0000:00/01.1", serial="0123", controller={"controller_id": 1})
    made = made.with_port("0000:00/01.2").with_drive("0000:00/01.2", serial="0123 ", controller={"controller_id": 1})
    made = made.with_port("0000:00/01.3").with_drive("0000:00/01.3", serial="0124")
    tree = topology_of(made.snapshot())
    found = [tree.occupant_at(path) for path in ("0000:00/01.1", "0000:00/01.2", "0000:00/01.3")]
    assert [occupant and occupant.shares_serial for occupant in found] == [True, True, False]
    assert [drive.shares_serial for drive in tree.drive_occupants()] == [True, True, False]
