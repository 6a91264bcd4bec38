"""The kernel's device events: as the kernel sends them, and as another library reads the same ones."""

import importlib.util
import os
import select
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from laneproof_collectors.uevents import UeventReader, parse_uevent

# As Linux 6.1 sent it when a drive was pulled in an emulated machine.
REMOVED = (
    b"remove@/devices/pci0000:00/0000:00:04.0/0000:01:00.0/nvme/nvme0\0ACTION=remove\0"
    b"DEVPATH=/devices/pci0000:00/0000:00:04.0/0000:01:00.0/nvme/nvme0\0SUBSYSTEM=nvme\0"
    b"NVME_TRTYPE=pcie\0MAJOR=240\0MINOR=0\0DEVNAME=nvme0\0SEQNUM=1204\0"
)


def test_an_event_has_the_kernel_s_keys_and_three_of_its_own() -> None:
    event = parse_uevent(REMOVED)
    assert event is not None
    assert (event["action"], event["subsystem"], event["DEVNAME"]) == ("remove", "nvme", "/dev/nvme0")
    assert event["devpath"] == event["DEVPATH"] == "/devices/pci0000:00/0000:00:04.0/0000:01:00.0/nvme/nvme0"


@pytest.mark.parametrize(
    "message",
    [
        REMOVED.replace(b"SUBSYSTEM=nvme", b"SUBSYSTEM=usb"),
        REMOVED.replace(b"ACTION=remove\0", b""),
        b"libudev\0\xfe\xed\xca\xfe",  # what udev sends on to its own group
        b"",
    ],
)
def test_what_is_no_event_of_ours_is_passed_over(message: bytes) -> None:
    assert parse_uevent(message) is None


@given(st.binary(max_size=300))
def test_any_bytes_are_an_event_or_none(message: bytes) -> None:
    parse_uevent(b"add@/devices/a\0SUBSYSTEM=pci\0ACTION=add\0DEVPATH=/devices/a\0" + message)
    parse_uevent(message)


@pytest.mark.witness
@pytest.mark.skipif(not os.access("/sys/class/net/lo/uevent", os.W_OK), reason="only root may have the kernel send one")
@pytest.mark.skipif(importlib.util.find_spec("pyudev") is None, reason="pyudev is not installed")
def test_another_library_reads_the_same_of_the_same_event() -> None:
    import pyudev  # noqa: PLC0415 (a witness, which is not everywhere)

    try:
        monitor = pyudev.Monitor.from_netlink(pyudev.Context(), source="kernel")
    except ImportError as error:
        pytest.skip(str(error))
    monitor.filter_by("net")
    monitor.start()
    reader = UeventReader()
    try:
        Path("/sys/class/net/lo/uevent").write_text("change")
        assert select.select([reader], [], [], 30)[0]
        (event,) = [event for event in reader.read() if event.get("INTERFACE") == "lo"]
    finally:
        reader.close()
    witness = monitor.poll(timeout=30)
    assert event == dict(witness.properties) | {
        "action": witness.action, "devpath": witness.device_path, "subsystem": witness.subsystem,
    }  # fmt: skip
