"""Names under /dev and locate LEDs, as udev and the kernel lay them out; nothing is switched, no light is read."""

import errno

import pytest
from pyfakefs.fake_filesystem import FakeFilesystem

from laneproof_collectors.disks.locate import (
    LedKind,
    LocateLed,
    follow_name,
    read_disk_folders,
    read_locate_leds,
    read_names,
)
from laneproof_collectors.unread import Reason
from simulation.fake_machine import FakeMachine, replay
from support.unread_answers import unread

BY_ID = "/dev/disk/by-id"
NVME = f"{BY_ID}/nvme-Fathomline_Petrel_4000_FP4K-26A-0117"
SCSI = "/sys/devices/pci0000:00/0000:00:17.0/host2/target2:0:0/2:0:0:0"
SES = "/sys/devices/pci0000:00/0000:00:18.0/host9/target9:0:0/9:0:0:0/enclosure/9:0:0:0"


@pytest.mark.parametrize(
    ("path", "name"),
    [
        (NVME, "nvme0n1"),
        (f"{NVME}-part2", "nvme0n1p2"),
        ("/dev/disk/by-label/archive", "md127"),
        ("/dev/nvme0n1", "nvme0n1"),
        (f"{NVME}-gone", "nvme7n1"),
    ],
)
def test_links_are_followed_to_the_device(fs: FakeFilesystem, path: str, name: str) -> None:
    machine = FakeMachine(
        fs,
        {
            NVME: "-> ../../nvme0n1",
            f"{NVME}-part2": "-> ../../nvme0n1p2",
            f"{NVME}-gone": "-> ../../nvme7n1",
            "/dev/disk/by-label/archive": "-> ../../md/kelp:archive",
            "/dev/md/kelp:archive": "-> ../md127",
            "/dev/md127": b"",
            "/dev/nvme0n1": b"",
            "/dev/nvme0n1p2": b"",
        },
    )
    assert follow_name(machine, path) == name


def test_name_that_is_not_there_is_unread(fs: FakeFilesystem) -> None:
    assert unread(follow_name(FakeMachine(fs, {BY_ID: None}), NVME)).reason is Reason.ABSENT


def test_links_in_a_circle_end(fs: FakeFilesystem) -> None:
    machine = FakeMachine(fs, {"/dev/a": "-> b", "/dev/b": "-> a"})
    assert unread(follow_name(machine, "/dev/a")).why == "more than 8 links in a row"


def test_lasting_names_go_to_their_disks_and_partitions_are_left_out(fs: FakeFilesystem) -> None:
    machine = FakeMachine(
        fs,
        {
            NVME: "-> ../../nvme0n1",
            f"{NVME}-part1": "-> ../../nvme0n1p1",
            f"{BY_ID}/nvme-eui.0011223344556677": "-> ../../nvme0n1",
            "/dev/disk/by-path/pci-0000:01:00.0-nvme-1": "-> ../../nvme0n1",
            "/dev/disk/by-path/pci-0000:00:17.0-ata-3": "-> ../../sda",
        },
    )
    live, recorded = replay(machine, lambda host: read_names(host, ["nvme0n1", "nvme1n1"]))
    assert live == recorded
    assert live == {
        "nvme0n1": (NVME, f"{BY_ID}/nvme-eui.0011223344556677", "/dev/disk/by-path/pci-0000:01:00.0-nvme-1"),
        "nvme1n1": (),
    }


def test_names_that_cannot_be_listed_are_none(fs: FakeFilesystem) -> None:
    machine = FakeMachine(fs, {NVME: "-> ../../nvme0n1"})
    machine.faults[BY_ID] = errno.EACCES
    assert read_names(machine, ["nvme0n1"]) == {"nvme0n1": ()}


def test_disks_have_their_canonical_folders(fs: FakeFilesystem) -> None:
    machine = FakeMachine(fs, {"/sys/block/sda": f"-> ..{SCSI.removeprefix('/sys')}/block/sda"})
    assert read_disk_folders(machine, ["sda", "sdb"]) == {"sda": f"{SCSI}/block/sda"}


def test_lights_of_all_three_kinds_are_found(fs: FakeFilesystem) -> None:
    """Names as in drivers/pci/npem.c, drivers/misc/enclosure.c, drivers/pci/hotplug/pci_hotplug_core.c."""
    machine = FakeMachine(
        fs,
        {
            "/sys/class/leds/10000:02:05.0:enclosure:locate": "-> x",
            "/sys/class/leds/10000:02:05.0:enclosure:fail": "-> x",
            "/sys/class/leds/input3::capslock": "-> x",
            "/sys/class/enclosure/9:0:0:0": f"-> ../..{SES.removeprefix('/sys')}",
            f"{SES}/Slot 04/locate": b"0\n",
            f"{SES}/Slot 04/device": "-> ../../../../../../../0000:00:17.0/host2/target2:0:0/2:0:0:0",
            f"{SES}/Slot 05/locate": b"0\n",
            f"{SES}/power/control": b"auto\n",
            "/sys/bus/pci/slots/7/address": b"0000:03:00\n",
            "/sys/bus/pci/slots/7/attention": b"0\n",
            "/sys/bus/pci/slots/8/address": b"0000:04:00\n",
        },
    )
    found = read_locate_leds(machine)
    assert found == (
        LocateLed(
            kind=LedKind.PORT,
            name="10000:02:05.0:enclosure:locate",
            file="/sys/class/leds/10000:02:05.0:enclosure:locate/brightness",
            belongs_to="10000:02:05.0",
        ),
        LocateLed(
            kind=LedKind.ENCLOSURE,
            name="Slot 04 of enclosure 9:0:0:0",
            file="/sys/class/enclosure/9:0:0:0/Slot 04/locate",
            belongs_to=SCSI,
        ),
        LocateLed(
            kind=LedKind.SLOT,
            name="slot 7",
            file="/sys/bus/pci/slots/7/attention",
            belongs_to="0000:03:00",
        ),
    )
    read = {path for path in machine.asked if path.endswith(("attention", "locate", "brightness"))}
    assert read == set()  # reading one of them can wake the port


def test_machine_without_lights_has_none(fs: FakeFilesystem) -> None:
    assert read_locate_leds(FakeMachine(fs)) == ()
