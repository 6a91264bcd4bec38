"""An inventory holds what stays put, names what could not be read, and can be kept as JSON."""

import json
from dataclasses import replace

from jsonschema import Draft202012Validator

from boxes.snapshot_box import L1, SATA, Box, declare, kelp_box
from laneproof.box.inventory.from_snapshot import label_positions, make_inventory
from laneproof.box.inventory.inventory import Inventory, KeptDevice
from laneproof_collectors.unread import Reason, Unread

GAP = Unread("x", "y", Reason.DENIED)
BUILD = declare('[[position]]\nlabel = "riser-1"\npath = "0000:00/01.1"\nlink = { generation = 4, lanes = 4 }')


def test_it_survives_being_written_and_read() -> None:
    box = kelp_box(3).with_array("md0", ("nvme0n1", "nvme1n1", "nvme2n1")).with_bond("bond0", ("eth0", "eth1"))
    taken = make_inventory(BUILD, box.snapshot())
    text = json.dumps(taken.model_dump(mode="json"))
    assert Inventory.model_validate_json(text) == taken
    schema = Inventory.model_json_schema()
    Draft202012Validator(schema).validate(json.loads(text))


def test_two_snapshots_of_an_unchanged_box_are_equal_whatever_the_time() -> None:
    box = kelp_box(2)
    assert make_inventory(BUILD, box.snapshot(taken_at=1.0)) == make_inventory(BUILD, box.snapshot(taken_at=9e8))


def test_a_position_has_its_label_link_and_drive() -> None:
    (kept,) = make_inventory(BUILD, kelp_box(1).snapshot()).positions
    assert (kept.position, str(kept.declared), str(kept.trained)) == ("riser-1", "gen4 x4", "gen4 x4")
    assert kept.occupant is not None
    assert (kept.occupant.serial, kept.occupant.disks, kept.occupant.drive) == ("FN0001", ("nvme0n1",), True)


def test_ports_hold_what_they_aim_at_and_allow() -> None:
    box = Box().with_port("0000:00/01.1", target=3, aspm=L1).with_drive("0000:00/01.1")
    (port,) = make_inventory(None, box.snapshot()).ports or ()
    assert (port.path, port.target_transfers_per_second, port.low_power_states) == ("0000:00/01.1", 8e9, "L1")


def test_registers_that_were_not_read_are_null() -> None:
    (port,) = make_inventory(None, kelp_box(1).without_registers().snapshot()).ports or ()
    assert (port.target_transfers_per_second, port.low_power_states) == (None, None)
    assert str(port.capable) == "gen4 x4"


def test_an_inner_port_of_a_switch_is_none_that_a_link_hangs_on() -> None:
    box = Box().with_port("0000:00/02.1").with_switch("0000:00/02.1").with_port("0000:00/02.1/00.0/00.0")
    ports = make_inventory(None, box.with_drive("0000:00/02.1/00.0/00.0").snapshot()).ports or ()
    assert [port.path for port in ports] == ["0000:00/02.1", "0000:00/02.1/00.0/00.0"]


def test_devices_hold_what_is_no_drive_and_in_no_declared_position() -> None:
    box = kelp_box(1).with_device("0000:00/17.0", class_code=SATA).with_port("0000:00/03.0")
    box.with_network("0000:00/03.0", "enp3s0")
    devices = make_inventory(None, box.snapshot()).devices or ()
    kept = [(device.path, device.occupant) for device in devices if device.occupant]
    assert [(path, device.kind) for path, device in kept] == [("0000:00/03.0", "network"), ("0000:00/17.0", "sata")]
    assert {(device.drive, device.ids) for _, device in kept} == {(False, "1b36:0010")}


def test_members_are_known_by_their_drive_not_by_the_kernels_name() -> None:
    (array,) = make_inventory(None, kelp_box(2).with_array("md0", ("nvme0n1", "nvme1n1")).snapshot()).arrays or ()
    members = [(member.serial, member.path, member.slot) for member in array.members]
    assert members == [("FN0001", "0000:00/01.1", 0), ("FN0002", "0000:00/01.2", 1)]


def test_parts_that_could_not_be_read_are_null_and_say_why() -> None:
    box = kelp_box(1).with_group(arrays=GAP, memory=GAP, power=GAP, firmware=GAP, bonds=GAP, drives=GAP)
    taken = make_inventory(None, box.snapshot())
    assert (taken.arrays, taken.memory, taken.settings, taken.firmware, taken.bonds) == (None,) * 5
    assert taken.unread.keys() == {"arrays", "memory", "settings", "firmware", "bonds", "drives.other"}
    assert taken.unread["arrays"] == "could not read x: y"


def test_a_tree_that_could_not_be_read_holds_no_ports_instead_of_none() -> None:
    taken = make_inventory(None, kelp_box(1).with_group(functions=GAP).snapshot())
    assert (taken.positions, taken.ports, taken.devices) == ((), None, None)
    assert "places" in taken.unread


def test_a_drive_that_is_gone_from_the_bus_does_not_answer() -> None:
    box = kelp_box(1).edit("0000:00/01.1/00.0", lambda function: replace(function, answers=False))
    (kept,) = make_inventory(None, box.snapshot()).positions
    assert kept.occupant is not None
    assert not kept.occupant.answers


def test_labels_can_be_given_afterwards() -> None:
    taken = make_inventory(None, kelp_box(2).with_port("0000:00/03.0").with_network("0000:00/03.0", "e").snapshot())
    labelled = label_positions(taken, BUILD)
    assert [position.position for position in labelled.positions] == ["riser-1", None]
    assert label_positions(labelled, None) == labelled


def test_an_inventory_from_before_a_part_was_kept_still_reads() -> None:
    old = Inventory.model_validate({"firmware": None, "places": []})
    assert (old.ports, old.devices, old.unread) == (None, None, {})
    names = ("kind", "name", "model", "serial", "firmware", "capacity_bytes")
    device = KeptDevice.model_validate(dict.fromkeys(names) | {"name": "nvme0"})
    assert (device.ids, device.drive, device.disks, device.answers) == (None, True, (), True)


def test_memory_keeps_each_module_with_its_rates() -> None:
    memory = make_inventory(None, Box().with_memory("32 GiB", rated_mt_s=5600, configured_mt_s=4800).snapshot()).memory
    assert memory is not None
    (module,) = memory.modules or ()
    assert (module.size_bytes, module.rated_mt_s, module.configured_mt_s) == (32 << 30, 5600, 4800)


def test_network_cards_keep_their_speed_and_position() -> None:
    box = Box().with_port("0000:00/03.0").with_network("0000:00/03.0", "enp3s0")
    (interface,) = make_inventory(None, box.snapshot()).interfaces or ()
    assert (interface.name, interface.path, interface.speed_mbit_s) == ("enp3s0", "0000:00/03.0/00.0", 10_000)
