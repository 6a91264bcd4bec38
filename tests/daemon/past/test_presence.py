"""Names of the kernel's log and the positions they mean, and which drives are there."""

from dataclasses import replace

from laneproof.box.topology import survey
from laneproof.past.presence import AWAY, HERE, UNSURE, find_presences, paths_by_name
from laneproof_collectors.snapshot import MappedDevice
from laneproof_collectors.unread import Unread
from simulated_box import Box

PORT, DEEP = "0000:00/01.1", "0000:00/02.1/00.0/04.0"


def box() -> Box:
    made = Box().with_port(PORT).with_drive(PORT, serial="FN1").with_port("0000:00/02.1")
    return made.with_switch("0000:00/02.1").with_port(DEEP).with_drive(DEEP, serial="FN2")


def test_a_ports_name_and_its_drives_names_mean_the_same_position() -> None:
    paths = paths_by_name(survey(box().snapshot()))
    assert {paths[name] for name in ("0000:00:01.1", "0000:01:00.0", "nvme0")} == {PORT}
    assert paths["nvme1"] == DEEP


def test_an_upstream_port_sits_in_the_cards_own_position() -> None:
    tree = survey(box().snapshot())
    upstream = tree.functions["0000:00/02.1/00.0"]
    assert paths_by_name(tree)[upstream.address] == "0000:00/02.1"


def test_a_sata_drive_is_found_by_disk_and_by_port() -> None:
    made = Box().with_device("0000:00/17.0", class_code=0x010601).with_sata_drive("0000:00/17.0/ata-3", name="sda")
    paths = paths_by_name(survey(made.snapshot()))
    assert paths["sda"] == paths["ata3"] == "0000:00/17.0/ata-3"


def test_a_mapped_device_means_the_one_drive_below_it() -> None:
    # Documentation/admin-guide/device-mapper: what lies on several drives is of none of them alone
    mapped = (
        MappedDevice(name="dm-0", label="archive", disks=("nvme0n1",)),
        MappedDevice(name="dm-1", label="pool", disks=("nvme0n1", "nvme1n1")),
        MappedDevice(name="dm-2", label="", disks=()),
    )
    paths = paths_by_name(survey(box().with_group(mapped=mapped).snapshot()))
    assert paths["dm-0"] == paths["mapper/archive"] == PORT
    assert {"dm-1", "dm-2", "mapper/pool", "mapper/"}.isdisjoint(paths)


def test_a_drive_that_no_pci_function_carries_is_found_by_its_name() -> None:
    controllers = box().snapshot().controllers
    assert isinstance(controllers, tuple)
    placed = replace(controllers[0], address=None, path="platform/27bcc0000.nvme")
    paths = paths_by_name(survey(Box().with_group(controllers=(placed,)).snapshot()))
    assert paths["nvme0"] == "platform/27bcc0000.nvme"


def states(**controller: object) -> list[str]:
    made = Box().with_port(PORT).with_drive(PORT, controller=dict(controller))
    return [presence.state for presence in find_presences(survey(made.snapshot()))]


def test_a_drive_is_here_away_or_unsure_by_its_controllers_state() -> None:
    assert states(state="live") == [HERE]
    assert states(state="dead") == [AWAY]
    assert states(state="resetting") == [UNSURE]
    assert states(state=Unread("state", "not recorded")) == [HERE]


def test_a_function_that_answers_with_all_ones_is_away() -> None:
    made = (
        Box().with_port(PORT).with_drive(PORT).edit(f"{PORT}/00.0", lambda function: replace(function, answers=False))
    )
    assert [presence.state for presence in find_presences(survey(made.snapshot()))] == [AWAY]


def test_a_function_that_no_driver_serves_is_away() -> None:
    snapshot = Box().with_port(PORT).with_drive(PORT).snapshot()
    assert [presence.state for presence in find_presences(survey(replace(snapshot, controllers=())))] == [AWAY]


def test_a_sleeping_drive_is_here() -> None:
    made = Box().with_port(PORT).with_drive(PORT, asleep=True)
    assert [presence.state for presence in find_presences(survey(made.snapshot()))] == [HERE]


def test_where_nothing_could_be_read_nothing_is_said() -> None:
    snapshot = Box().with_port(PORT).with_drive(PORT).snapshot()
    gap = Unread("controllers", "denied")
    assert list(find_presences(survey(replace(snapshot, controllers=gap)))) == []
    assert list(find_presences(survey(replace(snapshot, functions=gap)))) == []
