"""Where things are, also of what cannot be read any more."""

from boxes.passes import SECOND_BOOT, Passes
from boxes.snapshot_box import kelp_box, make_interface
from laneproof.history.origins import map_devices, name_controllers

FIRST, SECOND = "0000:00/01.1", "0000:00/01.2"


def test_a_drive_is_known_by_position_and_serial_number(passes: Passes) -> None:
    where = map_devices(passes.facts)
    address = passes.controllers()[0].address or ""
    assert where.positions[address] == FIRST
    assert where.serials[address] == "FN0001"
    assert where.drive_below(FIRST) == "FN0001"
    assert where.drive_below("0000:00/1f.0") == ""


def test_an_event_finds_its_position_by_any_name_of_a_drive() -> None:
    passes = Passes(kelp_box(2).with_sata_drive("0000:00/17.0/ata-3", name="sdb", serial="GS7"))
    names = map_devices(passes.facts).names
    for name in (passes.controllers()[1].address or "", "nvme1", "nvme1n1", "0000:00:01.2"):
        assert (names.paths[name], names.drives[name]) == (SECOND, "FN0002")
    assert (names.paths["sdb"], names.drives["sdb"]) == ("0000:00/17.0/ata-3", "GS7")
    interfaces = (make_interface("eno1", address="0000:00:01.1"), make_interface("usb0", address=None))
    names = map_devices(passes.set(interfaces=interfaces).facts).names
    assert (names.paths["eno1"], names.drives["eno1"], "usb0" in names.paths) == (FIRST, "", False)


def test_who_and_where_the_controllers_are_does_not_change_with_what_they_count(passes: Passes) -> None:
    before = name_controllers(passes.facts)
    assert name_controllers(passes.drive(0, health={"media_errors": 9}).facts) == before
    for facts in ({"serial": "FN9"}, {"address": "0000:09:00.0"}, {"namespaces": ()}, {"name": "nvme9"}):
        assert name_controllers(Passes().drive(0, **facts).facts) != before
    assert name_controllers(passes.unread("controllers").facts) != before


def test_a_drive_that_left_is_still_known_by_its_names(passes: Passes) -> None:
    before = map_devices(passes.facts)
    names = map_devices(passes.without_drive(0).facts, before).names
    assert (names.paths["nvme0"], names.drives["nvme0"]) == (FIRST, "FN0001")


def test_names_of_another_boot_say_nothing(passes: Passes) -> None:
    before = map_devices(passes.facts)
    passes.reboot(SECOND_BOOT).without_drive(0)
    assert "nvme0" not in map_devices(passes.facts, before).names.paths


def test_what_could_not_be_read_now_is_known_by_what_was_reported_before(passes: Passes) -> None:
    before = map_devices(passes.facts)
    assert map_devices(passes.unread("controllers").facts, before).serials == before.serials
    assert map_devices(passes.unread("functions").facts, before).positions == before.positions


def test_a_serial_number_is_not_kept_for_a_function_whose_controller_went(passes: Passes) -> None:
    before = map_devices(passes.facts)
    address = passes.controllers()[0].address
    gone = map_devices(passes.set(controllers=passes.controllers()[1:]).facts, before)
    assert address in gone.positions
    assert address not in gone.serials
