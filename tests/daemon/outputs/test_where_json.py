"""The JSON of where a drive is."""

import json

from boxes.snapshot_box import Box, declare, kelp_box, make_array
from laneproof.box.names import find_drives
from laneproof.outputs.where_json import as_json
from laneproof.outputs.where_text import Finds
from laneproof_collectors.disks.locate import LedKind, LocateLed
from laneproof_collectors.unread import Reason, Unread

PATH = "0000:00/01.1"
BUILD = declare(
    f'[[position]]\nlabel = "riser-1"\npath = "{PATH}"\nthrough = [{{ kind = "flexible-cable", id = "green" }}]'
)
LED = LocateLed(kind=LedKind.SLOT, name="slot 7", file="/sys/bus/pci/slots/7/attention", belongs_to="0000:01:00")


def test_it_gives_position_drive_uses_and_lights() -> None:
    box = kelp_box(2).with_group(arrays=(make_array("md0", ("nvme0n1", "nvme1n1")),))
    found = find_drives("nvme0", BUILD, box.snapshot())
    reported = as_json("nvme0", found, Finds(names={"nvme0n1": ("/dev/disk/by-id/a",)}, leds={PATH: (LED,)}))
    assert json.loads(json.dumps(reported)) == reported
    (found,) = reported["places"]
    assert (found["path"], found["position"], found["known_as"]) == (PATH, "riser-1", "what the kernel calls it")
    assert found["through"] == [{"kind": "flexible-cable", "id": "green"}]
    assert (found["occupant"]["serial"], found["occupant"]["links"]) == ("FN0001", ["/dev/disk/by-id/a"])
    assert found["arrays"] == [{"name": "md0", "level": "raid5", "member": "nvme0n1", "slot": 0, "state": "in_sync"}]
    assert found["locate_leds"] == [{"kind": "slot", "name": "slot 7", "file": LED.file}]


def test_what_is_not_known_is_null_and_what_is_not_there_is_empty() -> None:
    box = Box().with_port(PATH).with_drive(PATH, controller={"serial": Unread("x", "y", Reason.DENIED)})
    (found,) = as_json("nvme0", find_drives("nvme0", None, box.snapshot()), Finds(names={}, leds=None))["places"]
    assert (found["position"], found["through"], found["locate_leds"]) == (None, None, None)
    assert (found["occupant"]["serial"], found["arrays"]) == (None, [])


def test_without_the_machines_links_those_that_udev_makes_are_reported() -> None:
    (found,) = as_json("nvme0", find_drives("nvme0", None, kelp_box(1).snapshot()), Finds(names={}, leds=None))[
        "places"
    ]
    assert found["occupant"]["links"][0] == "/dev/disk/by-id/nvme-Fulmar_N4_FN0001"
