"""The text of where a drive is: what to read on its label, where it is, how to light it, the box with it marked."""

from boxes.snapshot_box import Box, declare, kelp_box, make_array
from laneproof.box.names import find_drives
from laneproof.box.shown_positions import list_positions
from laneproof.outputs.text_style import Style
from laneproof.outputs.where_text import Finds, write_where
from laneproof_collectors.disks.locate import LedKind, LocateLed
from laneproof_collectors.snapshot import NvmeNamespace

PATH = "0000:00/01.1"
BUILD = declare(f'[[position]]\nlabel = "riser-1"\npath = "{PATH}"\nthrough = ["passive-split"]')
LED = LocateLed(kind=LedKind.PORT, name="the light", file="/sys/class/leds/x/brightness", belongs_to="0000:00:01.1")
NOTHING = Finds(names={}, leds=None)


def write(name: str, *, finds: Finds = NOTHING, box: Box | None = None, width: int = 80) -> str:
    snapshot = (box or kelp_box(2)).snapshot()
    found = find_drives(name, BUILD, snapshot)
    return write_where(name, found, finds, list_positions(BUILD, snapshot), Style(width=width))


def test_label_position_and_picture() -> None:
    assert write("nvme0") == (
        "riser-1: nvme0, Fulmar N4, 4 TB\n"
        "  asked for     nvme0: what the kernel calls it\n"
        "  on its label  serial number FN0001\n"
        "  between       passive-split\n"
        "  path          0000:00/01.1 (now 0000:01:00.0 behind port 0000:00:01.1)\n"
        "  link          x4 at 16 GT/s (generation 4)\n"
        "  also called   /dev/nvme0n1\n"
        "\n"
        "  0000:00\n"
        "  ├─ 01.1 riser-1  nvme0 FN0001  ◀ here\n"
        "  └─ 01.2          nvme1 FN0002\n"
    )


def test_light_is_reported_with_how_and_that_a_person_switches_it() -> None:
    text = " ".join(write("nvme0", finds=Finds(names={}, leds={PATH: (LED,)})).split())
    assert (
        "as root, echo 1 > /sys/class/leds/x/brightness (0 switches it off again; laneproof switches nothing)" in text
    )


def test_machine_without_a_light_is_reported_and_a_recording_is_not() -> None:
    assert "the kernel offers no locate LED" in write("nvme0", finds=Finds(names={}, leds={}))
    assert "LED" not in write("nvme0")


def test_lasting_names_are_listed() -> None:
    names = {"nvme0n1": ("/dev/disk/by-id/nvme-a", "/dev/disk/by-path/pci-b")}
    text = write("nvme0", finds=Finds(names=names, leds=None))
    assert "also called   /dev/disk/by-id/nvme-a\n  also called   /dev/disk/by-path/pci-b\n" in text


def test_all_members_of_an_array_are_marked_with_their_part() -> None:
    box = kelp_box(3).with_group(arrays=(make_array("md0", ("nvme0n1", "nvme2n1")),))
    text = write("md0", box=box)
    assert "in use        member 0 of md0 (raid5), in_sync\n" in text
    assert "◀ here: member 0 of md0" in text
    assert "◀ here: member 1 of md0" in text
    assert text.count("◀") == 2


def test_empty_position_is_found_too() -> None:
    assert write("riser-1", box=kelp_box(2).without(PATH)).startswith(
        "riser-1: empty\n  asked for     riser-1: its label\n"
    )


def test_the_other_port_of_a_drive_is_reported() -> None:
    box = Box()
    for number, path in enumerate((PATH, "0000:00/01.2")):
        space = NvmeNamespace(name="nvme0n1", number=1, size_bytes=1, wwid="eui.1")
        box.with_port(path).with_drive(path, serial="A", controller={"controller_id": number, "namespaces": (space,)})
    assert "  also at       0000:00/01.2\n" in write("nvme0", box=box)
