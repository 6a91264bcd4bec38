"""Names of the kernel's log and the positions they mean, and which drives are there."""

from dataclasses import replace
from typing import Any

from boxes.snapshot_box import Box
from laneproof.box.topology import topology_of
from laneproof.past.presence import AWAY, HERE, LEAVING, UNSURE, find_presences, paths_by_name
from laneproof_collectors.snapshot import MappedDevice
from laneproof_collectors.unread import Unread

PORT, DEEP = "0000:00/01.1", "0000:00/02.1/00.0/04.0"


def box() -> Box:
    made = Box().with_port(PORT).with_drive(PORT, serial="FN1").with_port("0000:00/02.1")
    return made.with_switch("0000:00/02.1").with_port(DEEP).with_drive(DEEP, serial="FN2")


def test_a_ports_name_and_its_drives_names_mean_the_same_position() -> None:
    paths = paths_by_name(topology_of(box().snapshot()))
    assert {paths[name] for name in ("0000:00:01.1", "0000:01:00.0", "nvme0")} == {PORT}
    assert paths["nvme1"] == DEEP


def test_an_upstream_port_sits_in_the_cards_own_position() -> None:
    tree = topology_of(box().snapshot())
    upstream = tree.functions["0000:00/02.1/00.0"]
    assert paths_by_name(tree)[upstream.address] == "0000:00/02.1"


def test_a_sata_drive_is_found_by_disk_and_by_port() -> None:
    made = Box().with_device("0000:00/17.0", class_code=0x010601).with_sata_drive("0000:00/17.0/ata-3", name="sda")
    paths = paths_by_name(topology_of(made.snapshot()))
    assert paths["sda"] == paths["ata3"] == "0000:00/17.0/ata-3"


def test_a_mapped_device_means_the_one_drive_below_it() -> None:
    # Documentation/admin-guide/device-mapper: what lies on several drives is of none of them alone
    mapped = (
        MappedDevice(name="dm-0", label="archive", disks=("nvme0n1",)),
        MappedDevice(name="dm-1", label="pool", disks=("nvme0n1", "nvme1n1")),
        MappedDevice(name="dm-2", label="", disks=()),
    )
    paths = paths_by_name(topology_of(box().with_group(mapped=mapped).snapshot()))
    assert paths["dm-0"] == paths["mapper/archive"] == PORT
    assert {"dm-1", "dm-2", "mapper/pool", "mapper/"}.isdisjoint(paths)


def test_a_drive_that_no_pci_function_carries_is_found_by_its_name() -> None:
    controllers = box().snapshot().controllers
    assert isinstance(controllers, tuple)
    placed = replace(controllers[0], address=None, path="platform/27bcc0000.nvme")
    paths = paths_by_name(topology_of(Box().with_group(controllers=(placed,)).snapshot()))
    assert paths["nvme0"] == "platform/27bcc0000.nvme"


def states(made: Box, **groups: Any) -> list[str]:
    return [presence.state for presence in find_presences(topology_of(replace(made.snapshot(), **groups)))]


def test_a_drive_is_here_away_or_unsure() -> None:
    def drive(**knobs: Any) -> Box:
        return Box().with_port(PORT).with_drive(PORT, **knobs)

    by_state = {"live": HERE, "dead": AWAY, "resetting": UNSURE, Unread("state", "not recorded"): HERE}
    for state, expected in by_state.items():
        assert states(drive(controller={"state": state})) == [expected]
    assert states(drive(asleep=True)) == [HERE]
    assert states(drive(), controllers=()) == [LEAVING]  # no driver serves it
    silent = drive().edit(f"{PORT}/00.0", lambda function: replace(function, answers=False))
    assert states(silent) == [AWAY]  # it answers with all ones


def test_where_nothing_could_be_read_nothing_is_said() -> None:
    gap = Unread("it", "denied")
    assert states(box(), controllers=gap) == states(box(), functions=gap) == []
