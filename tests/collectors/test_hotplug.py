"""A device event says what came or went, and on which function it hangs."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from laneproof_collectors.hotplug import Action, DeviceEvent, device_events, parse_uevent, read_device_events
from laneproof_collectors.questions import ReadUevents
from laneproof_collectors.unread import Reason, Unread
from support.table_hosts import TableHost
from support.unread_answers import known

SWITCH = "/devices/pci0000:00/0000:00:01.2/0000:02:00.0/0000:03:04.0/0000:04:00.0"


def uevent(action: str, devpath: str, subsystem: str, **fields: str) -> dict[str, str]:
    return {"ACTION": action, "DEVPATH": devpath, "SUBSYSTEM": subsystem} | fields


# Field names and paths: kernel lib/kobject_uevent.c, drivers/pci/pci-driver.c (pci_uevent), block/genhd.c
DRIVE, NVME3 = "0000:04:00.0", f"{SWITCH}/nvme/nvme3"
EVENTS = [
    (uevent("remove", SWITCH, "pci", PCI_SLOT_NAME=DRIVE, PCI_CLASS="10802"), (DRIVE, DRIVE, None)),
    (uevent("unbind", SWITCH, "pci", PCI_SLOT_NAME=DRIVE), (DRIVE, DRIVE, None)),
    (uevent("add", NVME3, "nvme", DEVNAME="nvme3"), ("nvme3", DRIVE, "nvme3")),
    (uevent("change", NVME3, "nvme", NVME_EVENT="connected"), ("nvme3", DRIVE, "nvme3")),
    (uevent("remove", f"{NVME3}/nvme3n1/nvme3n1p2", "block", DEVTYPE="partition"), ("nvme3n1p2", DRIVE, "nvme3")),
    (uevent("add", f"{NVME3}/nvme3c3n1", "block", DEVTYPE="disk"), ("nvme3c3n1", DRIVE, "nvme3")),
    (uevent("add", "/devices/virtual/nvme-subsystem/nvme-subsys3/nvme3n1", "block"), ("nvme3n1", None, "nvme3")),
    (
        uevent("remove", "/devices/pci0000:00/0000:00:17.0/ata3/host2/target2:0:0/2:0:0:0", "scsi"),
        ("2:0:0:0", "0000:00:17.0", None),
    ),
    (uevent("add", "/devices/virtual/block/md0", "block"), ("md0", None, None)),
    (
        uevent("move", "/devices/pci0000:00/0000:00:1c.0/0000:05:00.0/net/enp5s0", "net"),
        ("enp5s0", "0000:05:00.0", None),
    ),
    # Domains of five digits, and boards whose bridges lie elsewhere
    (
        uevent("add", "/devices/pci0000:00/0000:00:0e.0/pci10000:e0/10000:e0:1d.0/10000:e1:00.0", "pci"),
        ("10000:e1:00.0", "10000:e1:00.0", None),
    ),
    (
        uevent("add", "/devices/platform/axi/1000110000.pcie/pci0001:00/0001:00:00.0/0001:01:00.0/nvme/nvme0", "nvme"),
        ("nvme0", "0001:01:00.0", "nvme0"),
    ),
]


@pytest.mark.parametrize(("event", "names"), EVENTS)
def test_an_event_names_its_device(event: dict[str, str], names: tuple[str, str | None, str | None]) -> None:
    parsed = known(parse_uevent(event))
    assert (parsed.name, parsed.address, parsed.controller) == names
    assert parsed.action == event["ACTION"]


def test_fields_in_small_letters_are_the_same() -> None:
    small = {"action": "bind", "devpath": SWITCH, "subsystem": "pci"}
    assert known(parse_uevent(small)).action is Action.BIND


@pytest.mark.parametrize(
    ("action", "arrived", "left"),
    [
        ("add", True, False),
        ("bind", True, False),
        ("online", True, False),
        ("remove", False, True),
        ("unbind", False, False),  # the driver went, the device stays
        ("change", False, False),
    ],
)
def test_coming_and_going(action: str, arrived: bool, left: bool) -> None:
    parsed = known(parse_uevent(uevent(action, SWITCH, "pci")))
    assert (parsed.arrived, parsed.left) == (arrived, left)


@pytest.mark.parametrize(
    "event",
    [
        {},
        uevent("add", "/devices/virtual/tty/tty1", "tty"),
        uevent("explode", SWITCH, "pci"),
        uevent("add", "", "pci"),
        uevent("add", "/", "pci"),
        {"ACTION": "add", "DEVPATH": SWITCH},
    ],
)
def test_what_is_none_of_ours_is_passed_over(event: dict[str, str]) -> None:
    assert parse_uevent(event) is None
    assert device_events([event]) == ()


@given(
    st.dictionaries(
        st.sampled_from(["ACTION", "DEVPATH", "SUBSYSTEM", "action", "devpath"]),
        st.one_of(st.text(), st.sampled_from(["add", "remove", "pci", "nvme", SWITCH, "/a/nvme0/nvme0n1", "9" * 30])),
    )
)
def test_any_event_is_parsed_or_passed_over(event: dict[str, str]) -> None:
    parsed = parse_uevent(event)
    assert parsed is None or isinstance(parsed, DeviceEvent)


def test_events_are_read_through_the_host() -> None:
    events = (uevent("add", "/devices/virtual/tty/tty1", "tty"), uevent("remove", SWITCH, "pci"))
    read = known(read_device_events(TableHost({ReadUevents(): events})))
    assert [event.action for event in read] == [Action.REMOVE]


def test_events_that_cannot_be_read_say_why() -> None:
    failed = Unread("the kernel's device events", "not permitted (EPERM)", Reason.DENIED, "EPERM")
    assert read_device_events(TableHost({ReadUevents(): failed})) is failed
